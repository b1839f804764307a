// Keeps what is shown fresh, and says so when it can't. The page tells when something has changed (server-sent
// events); its live parts are then fetched anew and put in place. Without this script the page still works: it
// is then as old as its loading.
"use strict";
(() => {
  const lost = document.getElementById("lost");
  const LATE_MS = 12000; // four beats of the server have not come
  const POLL_MS = 15000;
  let ahead = Number(document.body.dataset.now) - Date.now(); // the server's clock, as seen from here
  let heard = Date.now();
  let mark = "";
  let source = null;
  let busy = false;

  function ageText(ms) {
    const s = Math.round(ms / 1000);
    if (s < 0) return "just now";
    if (s < 90) return `${s} s ago`;
    const m = Math.floor(s / 60);
    if (m < 10) return `${m} min ago`;
    if (m < 90) return `${m - (m % 5)} min ago`;
    const h = Math.floor(m / 60);
    return h < 48 ? `${h} h ago` : `${Math.floor(h / 24)} days ago`;
  }

  function ages() {
    const now = Date.now() + ahead;
    for (const one of document.querySelectorAll("time.age")) {
      const age = now - Number(one.dataset.at);
      if (age > -120000) one.textContent = ageText(age);
    }
    if (!document.body.hasAttribute("data-live") || document.hidden) return;
    const silent = Date.now() - heard;
    const broken = silent > LATE_MS;
    if (broken) {
      const since = new Date(heard).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
      lost.textContent = `No connection to Rushlight since ${since}. What you see is ${ageText(silent).replace(" ago", "")} old. ` +
        "Look whether it still runs.";
    }
    if (lost.hidden === broken) {
      lost.hidden = !broken;
      document.body.classList.toggle("lost", broken);
    }
  }

  async function renew() {
    if (busy) return;
    busy = true;
    try {
      const answer = await fetch(location.pathname, { signal: AbortSignal.timeout(10000), headers: { "x-renewed": "1" } });
      if (answer.redirected || !answer.ok) throw new Error(String(answer.status));
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const part of document.querySelectorAll("[data-part]")) {
        const next = fresh.getElementById(part.id);
        const at = document.activeElement;
        if (!next || (part.contains(at) && at.matches("input, select, textarea"))) continue;
        const open = new Set(Array.from(part.querySelectorAll("details[open]"), (d) => d.id));
        for (const details of next.querySelectorAll("details")) if (open.has(details.id)) details.open = true;
        // the keyboard's place must not be lost under somebody's hands
        const place = part.contains(at) ? Array.from(part.querySelectorAll("a, button")).indexOf(at) : -1;
        if (part.textContent !== next.textContent || part.innerHTML !== next.innerHTML) {
          part.replaceWith(document.adoptNode(next));
          if (place >= 0) next.querySelectorAll("a, button")[place]?.focus({ preventScroll: true });
        }
      }
      document.title = fresh.title;
      ahead = Number(fresh.body.dataset.now) - Date.now();
      heard = Date.now();
      document.dispatchEvent(new Event("renewed"));
    } catch {
      /* the age of the numbers says it */
    }
    busy = false;
    ages();
  }

  function listen() {
    if (source) source.close();
    source = new EventSource("/live");
    source.addEventListener("state", (event) => {
      const told = JSON.parse(event.data);
      heard = Date.now();
      ahead = told.now - heard;
      if (mark && told.mark !== mark) renew();
      mark = told.mark;
      ages();
    });
    source.addEventListener("error", () => {
      // the browser tries again by itself, unless it was refused
      if (source.readyState === EventSource.CLOSED) {
        source = null;
        setTimeout(() => { if (!document.hidden) renew().then(listen); }, POLL_MS);
      }
    });
  }

  setInterval(ages, 1000);
  setInterval(() => { if (document.querySelector("[data-working]") && !document.hidden) renew(); }, 1500);
  ages();
  if (document.body.hasAttribute("data-live")) {
    listen();
    document.addEventListener("visibilitychange", () => {
      if (document.hidden) { if (source) source.close(); source = null; }
      else { heard = Math.max(heard, Date.now() - LATE_MS + 4000); renew(); listen(); }
    });
  }
  // what is sent twice would be done twice
  document.addEventListener("submit", (event) => {
    for (const button of event.target.querySelectorAll("button")) setTimeout(() => { button.disabled = true; }, 0);
  });
  addEventListener("pageshow", () => { for (const b of document.querySelectorAll("form button")) b.disabled = false; });
})();
