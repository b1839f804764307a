"""Rushlight's flags and probe alarms against labels of four rivers and two tidal stations, beside QARTOD's.

    python -m bench.rivers.score DATA_DIR [--out rivers.json]

`DATA_DIR` holds one file a site and year (`SITES`; columns `time`, `quantity`, `value`, `label`). `lro_*`:
Logan River Observatory, published with Jones, Jones & Horsburgh (2022), doi:10.1016/j.envsoft.2022.105364.
`nerrs_*`: National Estuarine Research Reserve System, Apalachicola, as in the R package SWMPr (CC0): tidal
water, values in steps of 0.1, marked where the programme rejected them.

The first two sites were used to choose the flagging's constants; no other has been.

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

Precision is hits / (hits + false), recall hits / events. Rushlight runs with one setting for all four series,
by the code that runs live; only the range of the water is a river's (`RIVER_LOW_C`). QARTOD's thresholds are
chosen afterwards from a grid, by the labels that they are then judged on: more than any operator could do.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import gzip
import itertools
import json
import sys
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from rushlight.analysis.replay.files import Replay
from rushlight.collector.intake.limits import LIMITS
from rushlight.collector.intake.quality import QualityChecker
from rushlight.collector.readings import PH, TEMPERATURE
from rushlight.collector.settings import load_settings

TUNED = ("lro_FranklinBasin2014", "lro_WaterLab2019")
UNTOUCHED = ("lro_TonyGrove2014", "lro_Mendon2019", "nerrs_apacpwq2012", "nerrs_apadbwq2013")
SITES = TUNED + UNTOUCHED
QUANTITIES = {"temperature_c": TEMPERATURE, "ph": PH}
TOLERANCE_S = 3600
RIVER_LOW_C = -1.0  # a river freezes over, a tank is never below 2 °C
SETTINGS = """[tanks.river]
volume_litres = 1000
timezone = "Etc/GMT+7"
report_every_s = 900
[tanks.river.livestock]
temperature_low_c = 0
temperature_high_c = 40
"""

Spans = list[tuple[int, int]]


class Series(NamedTuple):
    """One probe of one site: times (s since 1970), values, and whether a technician marked the point."""

    times: Any
    values: Any
    marked: Any


class Count(NamedTuple):
    """Hits, events and false detections."""

    hits: int
    events: int
    false: int

    @property
    def precision(self) -> float:
        return self.hits / (self.hits + self.false) if self.hits + self.false else 0.0

    @property
    def recall(self) -> float:
        return self.hits / self.events if self.events else 0.0

    @property
    def f1(self) -> float:
        p, r = self.precision, self.recall
        return 2 * p * r / (p + r) if p + r else 0.0


def read_site(path: Path) -> dict[str, Series]:
    """Quantities of one file, in order of time; local standard time is read as UTC."""
    found: dict[str, list[tuple[int, float, bool]]] = {}
    with gzip.open(path, "rt", encoding="utf-8", newline="") as text:
        for row in csv.DictReader(text):
            at = int(dt.datetime.fromisoformat(row["time"]).replace(tzinfo=dt.UTC).timestamp())
            point = (at, float(row["value"] or "nan"), row["label"] == "1")
            found.setdefault(QUANTITIES[row["quantity"]], []).append(point)
    return {
        quantity: Series(*(np.array(column) for column in zip(*sorted(points), strict=True)))
        for quantity, points in found.items()
    }


def events_of(series: Series) -> Spans:
    """Runs of neighbouring marked points, as (first, last) time."""
    edges = np.flatnonzero(np.diff(np.r_[False, series.marked, False].astype(int)))
    return [
        (int(series.times[a]), int(series.times[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]


def joined(spans: Spans, gap_s: int = TOLERANCE_S) -> Spans:
    """Spans that are at most `gap_s` apart as one."""
    out: Spans = []
    for begin, end in sorted(spans):
        if out and begin - out[-1][1] <= gap_s:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((begin, end))
    return out


def count(events: Spans, detections: Spans, tolerance_s: int = TOLERANCE_S) -> Count:
    """Match joined detections to events; see the top of the file."""

    def near(a: tuple[int, int], b: tuple[int, int]) -> bool:
        return a[0] <= b[1] + tolerance_s and b[0] <= a[1] + tolerance_s

    hits = sum(any(near(event, one) for one in detections) for event in events)
    false = sum(not any(near(event, one) for event in events) for one in detections)
    return Count(hits, len(events), false)


def points(times: Any, flagged: Any) -> Spans:
    """Flagged points as joined spans."""
    return joined([(int(t), int(t)) for t in times[flagged]])


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


# No test is a choice too (None). Steps in the quantity's unit per report of 15 minutes.
GRID: dict[str, dict[str, list[Any]]] = {
    TEMPERATURE: {
        "range": [None, (-1, 30), (0, 25)],
        "spike": [None, 0.2, 0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0],
        "rate": [None, 0.3, 0.5, 0.6, 0.75, 1.0, 1.25, 1.5, 2.0, 3.0],
        "flat": [None, *((h, t) for h in (2, 6, 12, 24) for t in (0.001, 0.011, 0.05))],
    },
    PH: {
        "range": [None, (6, 9.5), (7, 9), (7.5, 9), (8, 9)],
        "spike": [None, 0.02, 0.025, 0.03, 0.04, 0.05, 0.075, 0.1, 0.15, 0.2, 0.3, 0.5],
        "rate": [None, 0.025, 0.035, 0.045, 0.055, 0.065, 0.07, 0.075, 0.085, 0.1, 0.15, 0.2, 0.3],
        "flat": [None, *((h, t) for h in (1, 3, 6, 12, 24) for t in (0.001, 0.0101))],
    },
}


def qartod_flags(quantity: str, series: Series) -> dict[tuple[str, Any], Any]:
    """Which points each single test of the grid flags, by `ioos_qc.qartod`."""
    from ioos_qc import qartod

    stamps = series.times.astype("datetime64[s]")
    values = np.ma.masked_invalid(series.values)

    def test(name: str, choice: Any) -> Any:
        if choice is None:
            return np.full(len(values), 1)
        if name == "range":
            return qartod.gross_range_test(values, choice)
        if name == "spike":
            return qartod.spike_test(values, suspect_threshold=choice, fail_threshold=2 * choice)
        if name == "rate":
            return qartod.rate_of_change_test(values, stamps, choice / 900)
        hours, tolerance = choice
        return qartod.flat_line_test(values, stamps, hours * 3600, 2 * hours * 3600, tolerance)

    return {
        (name, choice): np.isin(np.ma.filled(test(name, choice), 9), (3, 4, 9))
        for name, choices in GRID[quantity].items()
        for choice in choices
    }


def qartod_counts(quantity: str, series: Series) -> dict[tuple[Any, ...], Count]:
    """A count for every combination of the grid."""
    flags = qartod_flags(quantity, series)
    events = events_of(series)
    names = list(GRID[quantity])
    known: dict[bytes, Count] = {}
    out = {}
    for choice in itertools.product(*GRID[quantity].values()):
        flagged = np.any([flags[pair] for pair in zip(names, choice, strict=True)], axis=0)
        key = flagged.tobytes()
        if key not in known:
            known[key] = count(events, points(series.times, flagged))
        out[choice] = known[key]
    return out


def total(counts: list[Count]) -> Count:
    """All as one."""
    return Count(*(sum(column) for column in zip(*counts, strict=True)))


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
