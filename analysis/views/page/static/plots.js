// Draws a tank's curves with uPlot: the lowest and highest of each step as a filled line, the usual day as a pale
// band, limits dashed, the lamp's hours shaded, and marks for alarms and what the keeper has noted.
"use strict";
(() => {
  const place = document.getElementById("plots");
  if (!place) return;
  const list = document.getElementById("marks");
  const SIGNS = { alarm: "▲", water: "◆", test: "●", log: "■" };
  let span = "day";
  let made = [];
  let asked = 0;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const pale = (hex, share) => hex + Math.round(share * 255).toString(16).padStart(2, "0");

  // a line must not be drawn over a gap
  function gaps(band, x, low, high, step) {
    const out = [[], [], [], [], []];
    const none = x.map(() => null);
    const rows = [x, low, high, band ? band.low : none, band ? band.high : none];
    for (let i = 0; i < x.length; i++) {
      if (i && x[i] - x[i - 1] > 2.5 * step) {
        out[0].push(x[i - 1] + step);
        for (let k = 1; k < 5; k++) out[k].push(null);
      }
      for (let k = 0; k < 5; k++) out[k].push(rows[k][i]);
    }
    return out;
  }

  function draw(panel, told) {
    const ink = colour("ink"), faint = colour("faint"), trace = colour("trace"), high = colour("high"), medium = colour("medium");
    const band = panel.likely || panel.usual;
    const data = gaps(band, panel.times, panel.low, panel.high, panel.step || told.step);
    const box = document.createElement("div");
    box.className = "plot";
    const head = document.createElement("h3");
    const title = (panel.title.startsWith("pH") ? "pH" : panel.title[0].toUpperCase() + panel.title.slice(1)) + (panel.unit ? `, ${panel.unit}` : "");
    const name = document.createElement("b");
    name.textContent = title;
    head.append(name, ` ${panel.words}`);
    const live = document.createElement("p");
    live.className = "key";
    const keys = [];
    if (panel.likely) keys.push("pale band: likely, two in three");
    else if (panel.usual) keys.push("pale band: usual at this time of the day");
    if (panel.shades.length) keys.push("shaded: the lamp should be on");
    live.textContent = keys.join(" · ");
    const canvas = document.createElement("div");
    box.append(head, canvas, live);
    place.append(box);

    const shown = panel.limits.filter((limit) => {
      const low = Math.min(...panel.low), top = Math.max(...panel.high), reach = Math.max(top - low, 0.1);
      return limit > low - 1.5 * reach && limit < top + 1.5 * reach;
    });
    if (shown.length) keys.push(shown.length > 1 ? "dashed: your limits" : "dashed: your limit");
    live.textContent = keys.join(" · ");
    const tz = (at) => uPlot.tzDate(new Date(at * 1e3), told.zone);
    const digits = { minimumFractionDigits: 0, maximumFractionDigits: 2 };
    const options = {
      width: place.clientWidth, height: Math.max(150, Math.min(220, place.clientWidth / 2)),
      tzDate: tz,
      cursor: { sync: { key: "tank" }, y: false, drag: { x: false, y: false } },
      legend: { show: false },
      scales: {
        x: { min: told.start, max: told.end },
        y: { range: (u, low, top) => {
          for (const limit of shown) { low = Math.min(low, limit); top = Math.max(top, limit); }
          const least = { temperature: 1, ph: 0.3, co2: 5, light: 200 }[panel.id] || 1;
          const spare = Math.max((top - low) * 0.08, (least - (top - low)) / 2);
          return [panel.id === "co2" || panel.id === "light" ? Math.max(0, low - spare) : low - spare, top + spare];
        } },
      },
      axes: [
        { stroke: faint, grid: { stroke: pale(faint, 0.2), width: 1 }, ticks: { show: false }, space: 60, size: 30, font: "13px serif",
          values: timeLabels },
        { stroke: faint, grid: { stroke: pale(faint, 0.2), width: 1 }, ticks: { show: false }, size: 52, font: "13px serif",
          values: (u, ticks) => ticks.map((v) => v.toLocaleString("en", digits)) },
      ],
      series: [
        {},
        { stroke: trace, width: 1.2, points: { show: false } },
        { stroke: trace, width: 1.2, points: { show: false } },
        { stroke: "transparent", width: 0, points: { show: false } },
        { stroke: "transparent", width: 0, points: { show: false } },
      ],
      bands: [{ series: [4, 3], fill: pale(trace, 0.18) }, { series: [2, 1], fill: trace }],
      hooks: {
        drawClear: [(u) => {
          const c = u.ctx;
          c.save();
          c.fillStyle = pale(medium, 0.16);
          for (const [a, b] of panel.shades) {
            const left = Math.max(u.valToPos(a, "x", true), u.bbox.left);
            const right = Math.min(u.valToPos(b, "x", true), u.bbox.left + u.bbox.width);
            if (right > left) c.fillRect(left, u.bbox.top, right - left, u.bbox.height);
          }
          c.restore();
        }],
        draw: [(u) => {
          const c = u.ctx, dot = devicePixelRatio;
          c.save();
          c.lineWidth = dot;
          c.setLineDash([5 * dot, 4 * dot]);
          c.strokeStyle = high;
          for (const limit of shown) {
            const y = u.valToPos(limit, "y", true);
            c.beginPath(); c.moveTo(u.bbox.left, y); c.lineTo(u.bbox.left + u.bbox.width, y); c.stroke();
          }
          c.setLineDash([]);
          c.font = `${12 * dot}px serif`;
          c.textAlign = "center";
          for (const mark of told.marks) {
            const x = u.valToPos(mark.time, "x", true);
            if (x < u.bbox.left || x > u.bbox.left + u.bbox.width) continue;
            c.strokeStyle = pale(mark.kind === "alarm" ? high : ink, 0.5);
            c.beginPath(); c.moveTo(x, u.bbox.top); c.lineTo(x, u.bbox.top + u.bbox.height); c.stroke();
            c.fillStyle = mark.kind === "alarm" ? high : ink;
            c.fillText(SIGNS[mark.kind], x, u.bbox.top + 11 * dot);
          }
          c.restore();
        }],
        setCursor: [(u) => {
          const i = u.cursor.idx;
          if (i == null || data[1][i] == null) { live.textContent = keys.join(" · "); return; }
          const at = tz(data[0][i]);
          const when = told.step >= 86400 ? `${at.getDate()} ${MONTHS[at.getMonth()]}` :
            `${at.getDate()} ${MONTHS[at.getMonth()]} ${two(at.getHours())}:${two(at.getMinutes())}`;
          const low = data[1][i].toFixed(panel.decimals), top = data[2][i].toFixed(panel.decimals);
          live.textContent = `${when}: ${low === top ? low : `${low} to ${top}`} ${panel.unit}`;
        }],
      },
    };
    const plot = new uPlot(options, data, canvas);
    plot.root.setAttribute("role", "img");
    plot.root.setAttribute("aria-label", `${title}: ${panel.words}`);
    made.push(plot);

    function timeLabels(u, ticks, axis, space, step) {
      return ticks.map((tick) => {
        const at = tz(tick);
        if (step >= 28 * 86400) return MONTHS[at.getMonth()];
        if (step >= 86400 || (at.getHours() === 0 && at.getMinutes() === 0)) return `${at.getDate()} ${MONTHS[at.getMonth()]}`;
        return `${two(at.getHours())}:${two(at.getMinutes())}`;
      });
    }
  }

  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const two = (number) => String(number).padStart(2, "0");

  async function load() {
    const mine = ++asked;
    try {
      const answer = await fetch(`${place.dataset.url}?span=${span}`, { signal: AbortSignal.timeout(20000) });
      if (!answer.ok) throw new Error(String(answer.status));
      const told = await answer.json();
      if (mine !== asked) return;
      for (const plot of made) plot.destroy();
      made = [];
      place.replaceChildren();
      if (!told.panels.length) place.textContent = "Nothing was measured in this time.";
      for (const panel of told.panels) draw(panel, told);
      list.replaceChildren(...told.marks.map((mark) => {
        const line = document.createElement("li");
        const words = `${SIGNS[mark.kind]} ${mark.when}: ${mark.text}`;
        if (mark.href) {
          const link = document.createElement("a");
          link.href = mark.href;
          link.textContent = words;
          line.append(link);
        } else line.textContent = words;
        return line;
      }));
      if (!told.marks.length) list.replaceChildren(Object.assign(document.createElement("li"), { textContent: "Nothing." }));
      place.dataset.drawn = span;
    } catch {
      if (mine === asked && !made.length) place.textContent = "The curves can't be had just now.";
    }
  }

  for (const button of document.querySelectorAll("[data-span]")) {
    button.addEventListener("click", () => {
      span = button.dataset.span;
      for (const other of document.querySelectorAll("[data-span]")) other.setAttribute("aria-pressed", String(other === button));
      load();
    });
  }
  let wide = place.clientWidth;
  addEventListener("resize", () => { if (place.clientWidth !== wide) { wide = place.clientWidth; load(); } });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", load);
  let drawn = Date.now();
  document.addEventListener("renewed", () => { if (span === "day" && Date.now() - drawn > 60000) { drawn = Date.now(); load(); } });
  load();
})();
