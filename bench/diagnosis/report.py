"""Rushlight and the peers over the same runs: tables, curves and the floor (`score --peers --plots OUT`).

The peers know no causes, so they are judged in the most favourable way: from the onset on, any alarm of
theirs about the quantity that the fault shows in counts as the right name. Operating curves: QARTOD and river
with their thresholds scaled; plain limits set further inside the livestock's; Rushlight, which has
one operating point, by asking that a condition holds some minutes longer before it counts.

What the peers said is kept in `peers.json` of each folder: it does not change when Rushlight does.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import statistics
from multiprocessing.pool import Pool
from pathlib import Path
from typing import Any

from bench.diagnosis.judgement import judge, seconds
from bench.diagnosis.lorden import ramp_floor
from bench.diagnosis.peers import plain_limits
from bench.diagnosis.peers_libraries import adwin_events, qartod_events, read_series, river_events
from bench.diagnosis.ramps import FLOORED, ramp_of
from bench.diagnosis.summary import summarise

SCALES = (0.3, 1.0, 3.0)
HOLDS_MIN = (0, 5, 15, 30, 60, 120, 240)
MARGINS = (0.0, 0.25, 0.5, 1.0)
PEERS = ("plain limits", "QARTOD (ioos-qc)", "Page-Hinkley (river)", "ADWIN (river)")
LIBRARIES = {PEERS[1]: qartod_events, PEERS[2]: river_events, PEERS[3]: adwin_events}
SHOWS = {"co2": "ph", "ph": "ph", "stray": "ph", "light": "light", "temperature": "temperature",
         "heater": "temperature", "cooling": "temperature"}  # fmt: skip

Events = list[dict[str, Any]]


def shows_in(alarm: str, quantity: str = "") -> str:
    """Quantity that an alarm is about; "" for all of them."""
    return quantity if alarm in ("probe-fault", "setting-doubtful") else SHOWS.get(alarm.split("-")[0], "")


def generous(truth: dict[str, Any], events: Events) -> Events:
    """Alarms after the onset about the fault's own quantity under the fault's name."""
    if truth["kind"] == "nominal":
        return events
    own = shows_in(truth["alarm"], truth["quantity"])
    onset = seconds(truth["onset"])
    return [
        e | {"alarm": truth["alarm"], "quantity": truth["quantity"]}
        if seconds(e["time"]) >= onset and own in ("", shows_in(e["alarm"], e.get("quantity", "")))
        else e
        for e in events
    ]


def held(events: Events, minutes: float) -> Events:
    """Raised alarms that are not cleared within so many minutes, counted that much later."""
    cleared: dict[tuple[str, str], list[float]] = {}
    for e in events:
        if e["event"] == "cleared":
            cleared.setdefault((e["alarm"], e.get("quantity", "")), []).append(seconds(e["time"]))
    out = []
    for e in events:
        if e["event"] == "raised":
            at = seconds(e["time"])
            ends = cleared.get((e["alarm"], e.get("quantity", "")), [])
            if not any(at <= end < at + 60 * minutes for end in ends):
                later = dt.datetime.fromtimestamp(at + 60 * minutes, dt.UTC)
                out.append(e | {"time": later.strftime("%Y-%m-%dT%H:%M:%SZ")})
    return out


def _lines(path: Path) -> Events:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]


def peers_events(folder: Path) -> dict[str, dict[str, Events]]:
    """What each peer raises at each setting; made once a folder."""
    kept = folder / "peers.json"
    if kept.exists() and kept.stat().st_mtime >= (folder / "readings.csv").stat().st_mtime:
        found: dict[str, dict[str, Events]] = json.loads(kept.read_text(encoding="utf-8"))
        return found
    found = {PEERS[0]: {str(m): plain_limits(folder, m) for m in MARGINS}}
    tank, series = read_series(folder)
    for name, method in LIBRARIES.items():
        found[name] = {str(s): method(tank, series, s) for s in SCALES}
    kept.write_text(json.dumps(found), encoding="utf-8")
    return found


def one_run(folder: Path) -> dict[str, Any]:
    """Verdicts of every method at every setting, and the floor's ingredients, for one folder."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8")) | {"scenario": folder.name}
    mine = _lines(folder / "events.jsonl")
    out: dict[str, Any] = {"Rushlight": {str(m): judge(truth, held(mine, m)) for m in HOLDS_MIN}}
    for name, settings in peers_events(folder).items():
        out[name] = {s: judge(truth, generous(truth, events)) for s, events in settings.items()}
    out["ramp"] = ramp_of(folder, truth)
    return out


def compare(folders: list[Path], out: Path, pool: Pool) -> None:
    """Write `report.md`, `delay.png` and `curves.png` into `out`; Rushlight's events must be there."""
    out.mkdir(parents=True, exist_ok=True)
    runs = pool.map(one_run, folders, chunksize=1)
    base = {"Rushlight": "0", PEERS[0]: "0.0"} | dict.fromkeys(LIBRARIES, "1.0")
    totals = {m: {s: summarise([r[m][s] for r in runs]) for s in runs[0][m]} for m in base}
    at_work = {m: totals[m][s] for m, s in base.items()}
    inside = {"plain limits, 1 °C, CO2 80 %, pH 0.2 inside": totals[PEERS[0]]["1.0"]}
    tables = [
        _methods(at_work | inside),
        _alarms(at_work),
        _warnings(runs),
        _losses(at_work | inside),
        _floor(runs, at_work["Rushlight"]),
    ]
    text = "\n\n".join("\n".join(table) for table in tables) + "\n"
    (out / "report.md").write_text(text, encoding="utf-8")
    print(text)
    _plot_delays([r["Rushlight"]["0"] for r in runs], out / "delay.png")
    _plot_curves(totals, out / "curves.png")


def _cell(x: float | None, style: str = ".2f") -> str:
    return "–" if x is None else format(x, style)


def _methods(at_work: dict[str, Any]) -> list[str]:
    keys = ("detected", "named", "harmful_detected", "harmful_named", "harmful_median_warning_h",
            "false_per_tank_week", "false_per_nominal_tank_week")  # fmt: skip
    heads = ("detected", "named", "harmful: detected", "harmful: named", "median warning h", "false/week",
             "false/week, no fault")  # fmt: skip
    lines = [f"| method | {' | '.join(heads)} |", "|---" * (len(heads) + 1) + "|"]
    return lines + [f"| {m} | {' | '.join(_cell(t[k]) for k in keys)} |" for m, t in at_work.items()]


def _alarms(at_work: dict[str, Any]) -> list[str]:
    mine = at_work["Rushlight"]["alarms"]
    heads = (
        "runs",
        "detected",
        "named (recall)",
        "precision",
        "delay h",
        "lead h",
        "false/week",
        "best peer named",
    )
    lines = [f"| alarm | {' | '.join(heads)} |", "|---" * (len(heads) + 1) + "|"]
    for name, row in mine.items():
        peers = {p: t["alarms"].get(name, {}).get("named") for p, t in at_work.items() if p != "Rushlight"}
        found = {p: share for p, share in peers.items() if share is not None}
        best = max(found, key=lambda p: found[p]) if found else None
        loses = best is not None and found[best] > (row["named"] or 0)
        peer = "–" if best is None else f"{found[best]:.2f} {best}" + (" (**better**)" if loses else "")
        cells = [_cell(row[k]) for k in ("detected", "named", "precision", "median_delay_h", "median_lead_h")]
        week = _cell(row["false_per_tank_week"], ".3f")
        lines.append(f"| {name} | {row['scenarios']} | {' | '.join(cells)} | {week} | {peer} |")
    return lines


def _warnings(runs: list[dict[str, Any]]) -> list[str]:
    """Hours before the harm, of harmful faults, Rushlight beside the plain limits."""
    lines = [
        "| harmful faults noticed before the harm | faults | Rushlight, median h | plain limits, median h |"
    ]
    lines += ["|---|---|---|---|"]
    for margin, said in (("0.0", "at the livestock's limits"), ("1.0", "1 °C, CO2 80 %, pH 0.2 inside")):
        pairs = [(r["Rushlight"]["0"], r[PEERS[0]][margin]) for r in runs]
        hours = [(a["warning_h"], b["warning_h"]) for a, b in pairs if a.get("harmful")]
        both = [(a, b) for a, b in hours if a > 0 and b > 0]
        for what, some in (("all, 0 where not noticed", hours), ("by both", both)):
            if some:
                mine, theirs = (statistics.median(x) for x in zip(*some, strict=True))
                lines.append(f"| {what}; limits {said} | {len(some)} | {mine:.2f} | {theirs:.2f} |")
    return lines


def _losses(at_work: dict[str, Any]) -> list[str]:
    """Where a peer does better than Rushlight, over all kinds of fault, and at what price."""
    lines = ["Where Rushlight loses, all kinds together:", ""]
    mine = at_work["Rushlight"]
    for name, total in at_work.items():
        better = [
            f"{words} ({_cell(total[key])} against {_cell(mine[key])})"
            for key, words, sign in (
                ("detected", "finds more", 1),
                ("harmful_detected", "finds more of what harms", 1),
                ("harmful_median_warning_h", "warns earlier, h", 1),
                ("false_per_tank_week", "gives fewer false alarms a week", -1),
            )
            if total[key] is not None and mine[key] is not None and sign * (total[key] - mine[key]) > 0
        ]
        if better:
            price = f"finds {_cell(total['detected'])}, {_cell(total['false_per_tank_week'])} false a week"
            lines.append(f"- {name} {', '.join(better)}; it {price}")
    return lines if len(lines) > 2 else [lines[0] + " nowhere."]


def _floor(runs: list[dict[str, Any]], total: dict[str, Any]) -> list[str]:
    """Lorden's floor for faults that are ramps in noise, at Rushlight's own false alarms."""
    lines = [
        "| fault | runs | floor h (median) | Rushlight's delay h (median) "
        "| the same, from when the water left what the heater holds |",
        "|---|---|---|---|---|",
    ]
    for kind, alarm in FLOORED.items():
        floors = []
        rate = max(total["alarms"].get(alarm, {}).get("false", 0), 1) / (total["tank_weeks"] * 604800)
        ramps = [run["ramp"] for run in runs if run["ramp"] and run["ramp"].kind == kind]
        for ramp in ramps:
            arl = max(1.0, 1 / (rate * ramp.every_s))
            floors.append(ramp_floor(ramp.slope, ramp.sigma, arl) * ramp.every_s / 3600)
        if floors:
            mine = [
                (run["Rushlight"]["0"]["delay_h"], run["ramp"].held_h)
                for run in runs
                if run["ramp"] and run["ramp"].kind == kind
            ]
            delays = [delay for delay, _ in mine if delay is not None]
            after = [max(delay - held, 0.0) for delay, held in mine if delay is not None]
            cells = [_cell(statistics.median(some) if some else None) for some in (delays, after)]
            lines.append(
                f"| {kind} | {len(floors)} | {statistics.median(floors):.2f} | {' | '.join(cells)} |"
            )
    return lines


def _plot_delays(verdicts: list[dict[str, Any]], path: Path) -> None:
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    faults = [v for v in verdicts if v["kind"] == "fault"]
    names = sorted({v["alarm"] for v in faults})
    rows = max(1, math.ceil(len(names) / 4))
    figure, axes = plt.subplots(rows, 4, figsize=(11, 2.1 * rows), sharex=True, sharey=True, squeeze=False)
    for axis in axes.flat[len(names) :]:
        axis.axis("off")
    for axis, name in zip(axes.flat, names, strict=False):
        here = [v for v in faults if v["alarm"] == name]
        found = [v for v in here if v["delay_h"] is not None]
        axis.plot([v["severity"] for v in found], [max(v["delay_h"], 0.01) for v in found], "o", ms=3)
        for v in here:
            if v["delay_h"] is None:
                axis.axvline(v["severity"], color="tab:red", lw=0.7)
        axis.set_yscale("log")
        axis.set_title(name, fontsize=8)
        axis.tick_params(labelsize=6)
    figure.supxlabel("severity (red line: never noticed)", fontsize=8)
    figure.supylabel("delay from onset, h", fontsize=8)
    figure.tight_layout()
    figure.savefig(path, dpi=70)
    plt.close(figure)


def _plot_curves(totals: dict[str, Any], path: Path) -> None:
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    figure, axis = plt.subplots(figsize=(7, 4.5))
    for (method, by_setting), mark in zip(totals.items(), "o^sDv", strict=False):
        xs = [max(t["false_per_nominal_tank_week"] or 0, 0.01) for t in by_setting.values()]
        axis.plot(xs, [t["detected"] or 0 for t in by_setting.values()], marker=mark, ms=4, label=method)
    axis.set_xscale("log")
    axis.set_ylim(0, 1)
    axis.set_xlabel("false alarms per tank-week, runs without a fault")
    axis.set_ylabel("faults detected in time")
    axis.legend(fontsize=8)
    figure.tight_layout()
    figure.savefig(path, dpi=80)
    plt.close(figure)
