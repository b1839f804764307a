"""The last values of a quantity."""

from __future__ import annotations

import itertools

import msgspec

from rushlight.analysis.estimators.numbers import WINDOW
from rushlight.analysis.estimators.units import HOUR_MS

__all__ = ["Window"]


class Window(msgspec.Struct):
    """The last `size` values at about equal steps, for slopes and ranges."""

    size: int
    times: list[int] = msgspec.field(default_factory=list)
    values: list[float] = msgspec.field(default_factory=list)
    # by span: the detectors ask each minute about windows that change every five
    slopes: dict[int, float | None] = msgspec.field(default_factory=dict)

    def add(self, time_ms: int, value: float) -> None:
        self.slopes.clear()
        self.times.append(time_ms)
        self.values.append(value)
        if len(self.values) > self.size:
            del self.times[0]
            del self.values[0]

    def clear(self) -> None:
        self.slopes.clear()
        self.times.clear()
        self.values.clear()

    def drop_older(self, span_ms: int) -> None:
        """Keep what is less than `span_ms` older than the last value, and the last value."""
        while len(self.times) > 1 and self.times[-1] - self.times[0] >= span_ms:
            self.slopes.clear()
            del self.times[0]
            del self.values[0]

    def lately(self, span_ms: int) -> list[float]:
        """The values of the last `span_ms`, from the one at or before its beginning; empty without one."""
        for index in range(len(self.times) - 1, -1, -1):
            if self.times[-1] - self.times[index] >= span_ms:
                return self.values[index:]
        return []

    def values_in(self, span_ms: int) -> int:
        """How many values lie in so long, by the median of the spans between them; at least 1."""
        if len(self.times) < 2:
            return 1
        spans = sorted(after - before for before, after in itertools.pairwise(self.times))
        return max(1, round(span_ms / max(1, spans[len(spans) // 2])))

    def slope_per_hour(self, span_ms: int) -> float | None:
        """Least-squares slope over the last `span_ms`; None until three quarters of it are there."""
        if span_ms not in self.slopes:
            self.slopes[span_ms] = self._slope(span_ms)
        return self.slopes[span_ms]

    def _slope(self, span_ms: int) -> float | None:
        times = self.times
        n = len(times)
        if n < WINDOW.fewest:
            return None
        end = times[-1]
        first = n - 1
        while first > 0 and times[first - 1] >= end - span_ms:
            first -= 1
        count = n - first
        if count < WINDOW.fewest or end - times[first] < WINDOW.full_share * span_ms:
            return None
        sum_x = sum_y = sum_xx = sum_xy = 0.0
        for time_ms, y in zip(times[first:], self.values[first:], strict=True):
            x = (time_ms - end) / HOUR_MS
            sum_x += x
            sum_y += y
            sum_xx += x * x
            sum_xy += x * y
        return (count * sum_xy - sum_x * sum_y) / (count * sum_xx - sum_x * sum_x)

    def ago(self, span_ms: int) -> float | None:
        """The value `span_ms` before the last one (the nearest at or before), None where it isn't kept."""
        if not self.times:
            return None
        wanted = self.times[-1] - span_ms
        for index in range(len(self.times) - 1, -1, -1):
            if self.times[index] <= wanted:
                return self.values[index]
        return None
