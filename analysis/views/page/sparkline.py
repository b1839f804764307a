"""The last 24 hours of a quantity as a small drawing (SVG), made from the store a little at a time."""

from __future__ import annotations

import functools
from collections.abc import Callable
from itertools import pairwise

import msgspec

from rushlight.analysis.views.page.curve_readings import CurveReadings
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["BUCKET_MS", "SPAN_MS", "Drawing", "Trace", "draw"]

SPAN_MS = 86_400_000
BUCKET_MS = 600_000
WIDTH, HEIGHT = 240, 36
_MARGIN = 2.0
_STEP = WIDTH * BUCKET_MS / SPAN_MS
_ANEW_MS = 3_600_000  # what came late, behind what was read already, is taken in after so long
_LEAST_RANGE = {"Cel": 1.0, "pH": 0.2, "mV": 10.0, "lx": 50.0, "W": 5.0}


class Drawing(msgspec.Struct, kw_only=True):
    """An SVG's path and size, and the same in words."""

    path: str
    limits: list[float]
    words: str
    width: int = WIDTH
    height: int = HEIGHT


class Trace:
    """Lowest and highest of each ten minutes of one series, kept up to date.

    Values that failed their check are left out: one wild value would flatten all others.
    """

    def __init__(self, tank: str, quantity: str) -> None:
        self._tank = tank
        self._quantity = quantity
        self.buckets: dict[int, tuple[float, float]] = {}
        self._read_ms: int | None = None
        self._anew_ms = 0

    def update(self, store: EmbeddedStore, now_ms: int, settings: TankSettings | None = None) -> None:
        """Read what is new since the last time; all of it once an hour, or where the clock went back.

        With the tank's settings all of it is by the calibrations that are known then.
        """
        extremes: Callable[[str, int, int, int], dict[int, tuple[float, float]]]
        extremes = functools.partial(store.extremes, self._tank)
        first = (now_ms - SPAN_MS) // BUCKET_MS + 1
        start = first * BUCKET_MS
        if self._read_ms is None or now_ms < self._read_ms or now_ms - self._anew_ms >= _ANEW_MS:
            self.buckets, self._anew_ms = {}, now_ms
            if settings is not None:
                extremes = CurveReadings(store, self._tank, settings).extremes
        else:
            self.buckets = {k: v for k, v in self.buckets.items() if k >= first}
            start = max(start, (self._read_ms // BUCKET_MS - 1) * BUCKET_MS)
        new = extremes(self._quantity, start, now_ms + 1, BUCKET_MS)
        self.buckets |= {time_ms // BUCKET_MS: pair for time_ms, pair in new.items()}
        self._read_ms = now_ms


def draw(trace: Trace, quantity: str, now_ms: int, limits: tuple[float | None, ...] = ()) -> Drawing | None:
    """The drawing of a trace, None where it is empty; limits that lie within its range become lines."""
    if not trace.buckets:
        return None
    info = QUANTITIES[quantity]
    low = min(pair[0] for pair in trace.buckets.values())
    high = max(pair[1] for pair in trace.buckets.values())
    # a steady value must not look like a storm
    spare = max(0.0, _LEAST_RANGE[info.unit] - (high - low)) / 2
    bottom, top = low - spare, high + spare
    last = now_ms // BUCKET_MS

    def height(value: float) -> float:
        return HEIGHT - _MARGIN - (value - bottom) / (top - bottom) * (HEIGHT - 2 * _MARGIN)

    bands = []
    for run in _runs(sorted(trace.buckets)):
        # along the lowest from left to right, back along the highest; as wide as its time
        corners = []
        for side, buckets in ((0, run), (1, run[::-1])):
            for bucket in buckets:
                right = WIDTH - (last - bucket) * _STEP
                edges = (right - _STEP, right) if side == 0 else (right, right - _STEP)
                corners += [f"{edge:.1f},{height(trace.buckets[bucket][side]):.1f}" for edge in edges]
        bands.append(f"M{' '.join(corners)}Z")
    return Drawing(
        path="".join(bands),
        limits=[round(height(limit), 1) for limit in limits if limit is not None and bottom <= limit <= top],
        words=f"{low:.{info.decimals}f} to {high:.{info.decimals}f} {info.printed_unit}".rstrip(),
    )


def _runs(buckets: list[int]) -> list[list[int]]:
    """Split where readings are missing, so that nothing is drawn over a gap; one bucket may be missing."""
    runs = [[buckets[0]]]
    for before, bucket in pairwise(buckets):
        if bucket - before > 2:
            runs.append([])
        runs[-1].append(bucket)
    return runs
