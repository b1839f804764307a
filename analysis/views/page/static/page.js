// Fetches the page anew and puts its main part in place; says so when nobody answers. Without it the page
// still works: the <noscript> refresh in its head does the same more roughly.
"use strict";
(() => {
  const every = Number(document.documentElement.dataset.refreshS) * 1000;
  const lost = document.getElementById("lost");
  let answered = new Date();

  const later = () => setTimeout(refresh, every);

  async function refresh() {
    try {
      const answer = await fetch("/", { signal: AbortSignal.timeout(every) });
      if (!answer.ok) throw new Error(String(answer.status));
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const open = new Set(Array.from(document.querySelectorAll("details[open]"), (d) => d.id));
      for (const details of fresh.querySelectorAll("details")) {
        if (open.has(details.id)) details.open = true;
      }
      // the headline is read out by screen readers when it changes, so it is left alone when it doesn't
      const summary = document.getElementById("summary");
      const said = fresh.getElementById("summary");
      if (summary.textContent !== said.textContent) summary.textContent = said.textContent;
      document.title = fresh.title;
      document.getElementById("now").replaceWith(document.adoptNode(fresh.getElementById("now")));
      answered = new Date();
      lost.hidden = true;
    } catch {
      lost.textContent = `No answer since ${answered.toLocaleTimeString()}: what you see is from then. ` +
        "Look whether rushlight still runs.";
      lost.hidden = false;
    }
    later();
  }

  later();
})();
