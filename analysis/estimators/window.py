"""The last values of a quantity."""

from __future__ import annotations

import bisect
import functools
import itertools
from operator import mul

import msgspec

from rushlight.analysis.estimators.numbers import WINDOW
from rushlight.analysis.estimators.units import HOUR_MS

__all__ = ["Window"]

_Kept = tuple[tuple[int, int, int], dict[int, float | None]]
_Hours = tuple[list[float], float, float]


def _hours(times: list[int]) -> _Hours:
    """Times (ms) as hours before the last, their sum, and what the slope is divided by."""
    xs = [(time_ms - times[-1]) / HOUR_MS for time_ms in times]
    sum_x = sum(xs)
    return xs, sum_x, len(xs) * sum(map(mul, xs, xs)) - sum_x * sum_x


@functools.lru_cache  # nearly all are as far apart as the last ones
def _even(count: int, every_ms: int) -> _Hours:
    """The same of `count` times that are so far apart."""
    return _hours(list(range(0, count * every_ms, every_ms)))


class Window(msgspec.Struct, dict=True):
    """The last `size` values at about equal steps, for slopes and ranges.

    Slopes are kept by span, beside the saved fields, with the times that they are of: detectors ask each
    minute about windows that change every five.
    """

    size: int
    times: list[int] = msgspec.field(default_factory=list)
    values: list[float] = msgspec.field(default_factory=list)

    def add(self, time_ms: int, value: float) -> None:
        times, values = self.times, self.values
        times.append(time_ms)
        values.append(value)
        if len(values) > self.size:
            del times[0]
            del values[0]

    def clear(self) -> None:
        self.times.clear()
        self.values.clear()

    def drop_older(self, span_ms: int) -> None:
        """Keep what is less than `span_ms` older than the last value, and the last value."""
        times = self.times
        while len(times) > 1 and times[-1] - times[0] >= span_ms:
            del times[0]
            del self.values[0]

    def lately(self, span_ms: int) -> list[float]:
        """The values of the last `span_ms`, from the one at or before its beginning; empty without one."""
        times = self.times
        # the last that is old enough
        index = bisect.bisect_right(times, times[-1] - span_ms) - 1 if times else -1
        return self.values[index:] if index >= 0 else []

    def values_in(self, span_ms: int) -> int:
        """How many values lie in so long, by the median of the spans between them; at least 1."""
        if len(self.times) < 2:
            return 1
        spans = sorted(after - before for before, after in itertools.pairwise(self.times))
        return max(1, round(span_ms / max(1, spans[len(spans) // 2])))

    def slope_per_hour(self, span_ms: int) -> float | None:
        """Least-squares slope over the last `span_ms`; None until three quarters of it are there."""
        times = self.times
        if not times:
            return None
        of = times[0], times[-1], len(times)
        kept: _Kept | None = self.__dict__.get("kept_slopes")
        if kept is None or kept[0] != of:
            kept = self.__dict__["kept_slopes"] = of, {}
        slopes = kept[1]
        if span_ms not in slopes:
            slopes[span_ms] = self._slope(span_ms)
        return slopes[span_ms]

    def _slope(self, span_ms: int) -> float | None:
        times = self.times
        n = len(times)
        if n < WINDOW.fewest:
            return None
        end = times[-1]
        first = bisect.bisect_left(times, end - span_ms, 0, n - 1)
        if n - first < WINDOW.fewest or end - times[first] < WINDOW.full_share * span_ms:
            return None
        return self.slope_between(first, n)

    def slope_between(self, first: int, last: int) -> float:
        """Least-squares slope an hour of the values from place `first` up to `last`; at least two."""
        times, ys = self.times[first:last], self.values[first:last]
        count, begin, end = len(ys), times[0], times[-1]
        every_ms = (end - begin) // (count - 1)
        even = every_ms > 0 and times == list(range(begin, end + 1, every_ms))
        xs, sum_x, spread = _even(count, every_ms) if even else _hours(times)
        slope: float = (count * sum(map(mul, xs, ys)) - sum_x * sum(ys)) / spread
        return slope

    def ago(self, span_ms: int) -> float | None:
        """The value `span_ms` before the last one (the nearest at or before), None where it isn't kept."""
        if not self.times:
            return None
        index = bisect.bisect_right(self.times, self.times[-1] - span_ms) - 1
        return self.values[index] if index >= 0 else None
