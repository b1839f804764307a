"""Rushlight's flags and probe alarms against labels of four rivers and two tidal stations, beside QARTOD's.

    python -m bench.rivers.score DATA_DIR [--out rivers.json]

`DATA_DIR` holds one file a site and year (`SITES`; columns `time`, `quantity`, `value`, `label`). `lro_*`:
Logan River Observatory, published with Jones, Jones & Horsburgh (2022), doi:10.1016/j.envsoft.2022.105364.
`nerrs_*`: National Estuarine Research Reserve System, Apalachicola, as in the R package SWMPr (CC0): tidal
water, values in steps of 0.1, marked where the programme rejected them.

The first two sites were used to choose the flagging's constants. `UNTOUCHED` says only that no constant was
fitted to the others: they were scored after each change, and the tidal ones led to two rules for coarse
steps, so none of them is unseen. New rules need new site-years.

Matching
--------
event
    A run of neighbouring points that a technician marked.
detection
    Flagged points (SUSPECT, FAIL or missing) and times of a standing `probe-fault`, joined where they are at
    most an hour apart.
hit
    An event with a detection no further than an hour from it: the paper widens its events too.
false
    A detection with no event within an hour. One that touches an event is neither counted again
    nor false.

Precision is hits / (hits + false), recall hits / events. Rushlight runs with one setting for all series,
by the code that runs live; only the range of the water is a river's (`RIVER_LOW_C`). QARTOD's thresholds are
chosen afterwards from a grid, by the labels that they are then judged on: more than any operator could do.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

from bench.rivers.matches import (
    Count,
    Series,
    Spans,
    count,
    events_of,
    joined,
    read_site,
    total,
)
from bench.rivers.qartod import GRID, qartod_counts
from rushlight.analysis.replay.files import Replay
from rushlight.collector.intake.limits import LIMITS
from rushlight.collector.intake.quality import QualityChecker
from rushlight.collector.readings import TEMPERATURE
from rushlight.collector.settings import load_settings

TUNED = ("lro_FranklinBasin2014", "lro_WaterLab2019")
UNTOUCHED = ("lro_TonyGrove2014", "lro_Mendon2019", "nerrs_apacpwq2012", "nerrs_apadbwq2013")
SITES = TUNED + UNTOUCHED
RIVER_LOW_C = -1.0  # a river freezes over, a tank is never below 2 °C
SETTINGS = """[tanks.river]
volume_litres = 1000
timezone = "Etc/GMT+7"
report_every_s = 900
[tanks.river.livestock]
temperature_low_c = 0
temperature_high_c = 40
"""


def rushlight(site: dict[str, Series]) -> dict[str, Spans]:
    """Detections by quantity: the flags of the intake, and the probe alarms of the watch."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rushlight.toml"
        path.write_text(SETTINGS, encoding="utf-8")
        replay = Replay(load_settings(path), lambda text: print(text, file=sys.stderr))
    limits = {**LIMITS, TEMPERATURE: LIMITS[TEMPERATURE]._replace(suspect_low=RIVER_LOW_C)}
    checker = QualityChecker(limits)
    replay._intake.quality = QualityChecker(limits)
    spans: dict[str, Spans] = {quantity: [] for quantity in site}
    rows = []
    for quantity, series in site.items():
        flag = checker.series("river", quantity).flag
        for at, value in zip(series.times.tolist(), series.values.tolist(), strict=True):
            if flag(at * 1000, value) >= 3:
                spans[quantity].append((at, at))
            rows.append((at * 1000, "river", quantity, value, False))
    standing: dict[str, int] = {}
    last = max(row[0] for row in rows) // 1000
    for event in replay.events(sorted(rows)):  # type: ignore[arg-type]
        if event.alarm != "probe-fault":
            continue
        at = int(dt.datetime.fromisoformat(event.time).timestamp())
        if event.event == "raised":
            standing[event.quantity] = at
        elif event.event == "cleared":
            spans[event.quantity].append((standing.pop(event.quantity), at))
    for quantity, at in standing.items():
        spans[quantity].append((at, last))
    return {quantity: joined(found) for quantity, found in spans.items()}


def run(directory: Path) -> dict[str, Any]:
    """Everything of the report: label of the row to its `Count`s by series."""
    mine: dict[tuple[str, str], Count] = {}
    grids: dict[tuple[str, str], dict[tuple[Any, ...], Count]] = {}
    sonde: dict[str, Count] = {}
    for name in SITES:
        site = read_site(directory / f"{name}.csv.gz")
        found = rushlight(site)
        for quantity, series in site.items():
            mine[name, quantity] = count(events_of(series), found[quantity])
            grids[name, quantity] = qartod_counts(quantity, series)
        # by instrument: a mark or a flag on either probe is one on the sonde
        sonde[name] = count(
            joined([span for series in site.values() for span in events_of(series)]),
            joined([span for spans in found.values() for span in spans]),
        )

    def best(quantity: str, names: tuple[str, ...]) -> tuple[Any, ...]:
        choices = grids[names[0], quantity]
        return max(choices, key=lambda c: total([grids[n, quantity][c] for n in names]).f1)

    each, one, tuned, choices = {}, {}, {}, {}
    for quantity in GRID:
        shared, first = best(quantity, SITES), best(quantity, TUNED)
        choices[quantity] = {"all": shared, "the tuned two": first}
        for name in SITES:
            choices[quantity][name] = best(quantity, (name,))
            each[name, quantity] = grids[name, quantity][choices[quantity][name]]
            one[name, quantity] = grids[name, quantity][shared]
            tuned[name, quantity] = grids[name, quantity][first]
    return {
        "rows": {
            "Rushlight, one setting": mine,
            "QARTOD, best of each series by hindsight": each,
            "QARTOD, best of each quantity by hindsight": one,
            "QARTOD, chosen on the tuned two": tuned,
        },
        "sonde": sonde,
        "choices": choices,
    }


def table(report: dict[str, Any]) -> str:
    """Markdown."""
    lines = [
        "| series | what | events | hit | false | precision | recall | F1 |",
        "|---|---|---|---|---|---|---|---|",
    ]

    def line(where: str, what: str, c: Count) -> str:
        figures = f"{c.precision:.2f} | {c.recall:.2f} | {c.f1:.3f}"
        return f"| {where} | {what} | {c.events} | {c.hits} | {c.false} | {figures} |"

    for key in next(iter(report["rows"].values())):
        lines += [line(" ".join(key), what, counts[key]) for what, counts in report["rows"].items()]
    for name in SITES:
        for what, counts in report["rows"].items():
            both = total([one for key, one in counts.items() if key[0] == name])
            lines.append(line(f"**{name}**", what, both))
    for where, sites in (("tuned", TUNED), ("untouched", UNTOUCHED)):
        for quantity in GRID:
            for what, counts in report["rows"].items():
                some = total([counts[name, quantity] for name in sites])
                lines.append(line(f"**{where}, {quantity}**", what, some))
        for what, counts in report["rows"].items():
            some = total([one for key, one in counts.items() if key[0] in sites])
            lines.append(line(f"**{where}**", what, some))
    lines += [line(f"{name}, as one instrument", "Rushlight", c) for name, c in report["sonde"].items()]
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("directory", type=Path)
    parser.add_argument("--out", type=Path, default=None)
    args = parser.parse_args(arguments)
    missing = [path for name in SITES if not (path := args.directory / f"{name}.csv.gz").exists()]
    if missing:
        print(f"{missing[0]} is missing; give the folder that holds the files of all sites", file=sys.stderr)
        return 1
    report = run(args.directory)
    print(table(report))
    for quantity, chosen in report["choices"].items():
        for where, choice in chosen.items():
            print(f"QARTOD {quantity}, best for {where}: " + ", ".join(
                f"{n} {c}" for n, c in zip(GRID[quantity], choice, strict=True)))  # fmt: skip
    if args.out:
        rows = {w: {" ".join(k): c for k, c in counts.items()} for w, counts in report["rows"].items()}
        args.out.write_text(json.dumps({"rows": rows, "sonde": report["sonde"]}, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
