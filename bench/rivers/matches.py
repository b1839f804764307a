"""A site's series and labels, and how detections are matched with events; see `score`."""

from __future__ import annotations

import csv
import datetime as dt
import gzip
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from rushlight.collector.readings import PH, TEMPERATURE

QUANTITIES = {"temperature_c": TEMPERATURE, "ph": PH}
TOLERANCE_S = 3600
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


def total(counts: list[Count]) -> Count:
    """All as one."""
    return Count(*(sum(column) for column in zip(*counts, strict=True)))
