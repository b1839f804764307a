"""Baselines from libraries: QARTOD tests of ioos-qc, and river's change detectors (Page-Hinkley, ADWIN).

    python -m bench.diagnosis.peers_libraries DIR --method qartod   # writes qartod.jsonl into each folder
    python -m bench.diagnosis.peers_libraries DIR --method river    # writes river.jsonl

Neither knows what a tank is. QARTOD flags can say no more than `probe-fault`. A change detector says only
that a mean has moved; it is read here in the most favourable way: against the same minute a day earlier, and
the direction gives the name (warmer, colder, more or less CO2, less light). Thresholds: common practice.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import functools
import json
import multiprocessing
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

Series = dict[str, tuple[Any, Any]]  # quantity: times (s since 1970, int) and values (NaN: none)

# quantity: fail span, spike (fail), rate per second (fail), flat for s (suspect, fail), tolerance
QARTOD: dict[str, tuple[tuple[float, float], float, float, tuple[int, int], float]] = {
    "temperature": ((0.0, 45.0), 3.0, 0.05, (21_600, 64_800), 0.03),
    "room_temperature": ((-20.0, 60.0), 5.0, 0.05, (21_600, 64_800), 0.03),
    "ph": ((3.0, 11.0), 1.0, 0.02, (21_600, 64_800), 0.005),
}
NAMES = {
    ("temperature", 1): "temperature-high",
    ("temperature", -1): "temperature-low",
    ("ph", 1): "co2-absent",
    ("ph", -1): "co2-overdose",
    ("light", 1): "light-stuck-on",
    ("light", -1): "light-missing",
}
SCALE = {"temperature": 0.5, "ph": 0.1, "light": 1500.0}


def read_series(folder: Path) -> tuple[str, Series]:
    """Tank's name and its readings, in order of time and without repeats."""
    raw: dict[str, dict[int, float]] = {}
    name = ""
    with (folder / "readings.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            name = row["tank"]
            at = int(dt.datetime.fromisoformat(row["time"]).timestamp())
            raw.setdefault(row["quantity"], {})[at] = float(row["value"] or "nan")
    series = {}
    for quantity, points in raw.items():
        times = sorted(points)
        series[quantity] = (np.array(times), np.array([points[t] for t in times]))
    return name, series


def event(at: int, tank: str, alarm: str, quantity: str = "") -> dict[str, Any]:
    """A `raised` event of the contract, as far as scoring reads it."""
    time = dt.datetime.fromtimestamp(at, dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return {"time": time, "tank": tank, "alarm": alarm, "event": "raised", "priority": "medium",
            "quantity": quantity}  # fmt: skip


def qartod_events(tank: str, series: Series, scale: float = 1.0) -> list[dict[str, Any]]:
    """`probe-fault` wherever the aggregate QARTOD flag is FAIL for five of the last ten reports."""
    from ioos_qc import qartod

    events = []
    for quantity, (span, spike, rate, flat, tolerance) in QARTOD.items():
        if quantity not in series:
            continue
        spike, rate, tolerance = spike * scale, rate * scale, tolerance / scale
        times, values = series[quantity]
        stamps = times.astype("datetime64[s]")
        filled = np.ma.masked_invalid(values)
        bad = np.isnan(values)
        for flags in (
            qartod.gross_range_test(filled, span),
            qartod.spike_test(filled, suspect_threshold=spike / 2, fail_threshold=spike),
            qartod.rate_of_change_test(filled, stamps, rate / 2, rate),
            qartod.flat_line_test(filled, stamps, flat[0], flat[1], tolerance),
        ):
            bad |= np.ma.filled(flags, 9) == 4
        many = np.convolve(bad.astype(int), np.ones(10, int))[: len(bad)] >= 5
        begins = np.flatnonzero(many & ~np.r_[False, many[:-1]])
        events += [event(int(times[i]), tank, "probe-fault", quantity) for i in begins]
    return events


def river_events(tank: str, series: Series, scale: float = 1.0) -> list[dict[str, Any]]:
    """Page-Hinkley on five-minute medians against the day before; `scale` multiplies its threshold."""
    from river.drift import PageHinkley

    return _drift_events(
        tank, series, lambda: PageHinkley(min_instances=288, delta=0.2, threshold=30.0 * scale)
    )


def adwin_events(tank: str, series: Series, scale: float = 1.0) -> list[dict[str, Any]]:
    """ADWIN on the same; its confidence is 0.002 (river's default) to the power of `scale`."""
    from river.drift import ADWIN

    return _drift_events(tank, series, lambda: ADWIN(delta=0.002**scale, grace_period=12))


def _drift_events(tank: str, series: Series, make: Callable[[], Any]) -> list[dict[str, Any]]:
    events = []
    for quantity, scale in SCALE.items():
        if quantity not in series:
            continue
        means = _medians(*series[quantity])
        start = series[quantity][0][0]
        day = 288
        detector = make()
        for i in range(day, len(means)):
            change = (means[i] - means[i - day]) / scale
            if change == change:
                detector.update(float(np.clip(change, -20, 20)))
                if detector.drift_detected:
                    name = NAMES[quantity, 1 if change > 0 else -1]
                    events.append(event(int(start + (i + 1) * 300), tank, name))
    return events


def _medians(times: Any, values: Any) -> Any:
    """Medians of five minutes, NaN where there is no value."""
    kept = ~np.isnan(values)
    slots, values = (times[kept] - times[0]) // 300, values[kept]
    order = np.lexsort((values, slots))
    edges = np.searchsorted(slots[order], np.arange((times[-1] - times[0]) // 300 + 2))
    first, size = edges[:-1], np.diff(edges)
    found = size > 0
    means = np.full(len(size), np.nan)
    low, high = (first + (size - 1) // 2)[found], (first + size // 2)[found]
    means[found] = (values[order[low]] + values[order[high]]) / 2
    return means


def judge_folder(folder: Path, method: str) -> int:
    """Write `METHOD.jsonl` into a folder; returns the number of events."""
    tank, series = read_series(folder)
    events = {"qartod": qartod_events, "river": river_events, "adwin": adwin_events}[method](tank, series)
    events.sort(key=lambda e: str(e["time"]))
    with (folder / f"{method}.jsonl").open("w", encoding="utf-8") as out:
        out.writelines(json.dumps(e) + "\n" for e in events)
    return len(events)


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("directory", type=Path)
    parser.add_argument("--method", choices=("qartod", "river", "adwin"), required=True)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args(arguments)
    folders = [p.parent for p in sorted(args.directory.glob("*/truth.json"))]
    with multiprocessing.Pool(args.jobs) as pool:
        counts = pool.map(functools.partial(judge_folder, method=args.method), folders)
    print(f"{sum(counts)} events in {len(folders)} folders")
    return 0


if __name__ == "__main__":
    sys.exit(main())
