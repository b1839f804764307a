"""What a quantity usually is at this time of the day, and its extremes a day."""

from __future__ import annotations

import math
from typing import Literal

import msgspec

from rushlight.analysis.estimators.numbers import DAILY
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import DAY_MS

__all__ = ["DailyExtremes", "DailyProfile"]


class DailyProfile(msgspec.Struct):
    """The usual value by time of day, by half-hours that were to be learnt from.

    Attributes
    ----------
    centre : {"mean", "median"}
        A mean forgets exponentially: it takes a day or two to forget a water change, and shows it as a hump
        until then; a hump that ends looks like gas. The median of the last days is bent by no odd one; of
        two days the newer counts: the first may not have been at rest.
    usual : list of float
        By half-hour.
    days : list of int
        How many days each half-hour was learnt from; the median's no more than it keeps.
    kept : dict of int to list of float
        The last days by half-hour; empty for the mean.
    """

    centre: Literal["mean", "median"] = "mean"
    usual: list[float] = msgspec.field(default_factory=lambda: [0.0] * DAILY.bins)
    days: list[int] = msgspec.field(default_factory=lambda: [0] * DAILY.bins)
    kept: dict[int, list[float]] = msgspec.field(default_factory=dict)
    bin: int = -1
    total: float = 0.0
    count: int = 0

    def add(self, minute_of_day: float, value: float, learn: bool) -> None:
        """One five-minute value; `learn` False where it isn't the tank's own usual."""
        index = int(minute_of_day // (1440 / DAILY.bins)) % DAILY.bins
        if index != self.bin:
            if self.bin >= 0 and self.count >= DAILY.bin_values:
                self._learn(self.bin, self.total / self.count)
            self.bin, self.total, self.count = index, 0.0, 0
        if learn:
            self.total += value
            self.count += 1

    def _learn(self, index: int, mean: float) -> None:
        if self.centre == "mean":
            weight = max(DAILY.forget_share, 1 / (self.days[index] + 1))
            self.usual[index] += weight * (mean - self.usual[index])
            self.days[index] += 1
            return
        days = self.kept.setdefault(index, [])
        days.append(mean)
        del days[: -DAILY.days_kept]
        self.usual[index] = days[-1] if len(days) == 2 else median(days)
        self.days[index] = len(days)

    def at(self, minute_of_day: float, least_days: int = 1) -> float | None:
        """Interpolated between bin centres; None where it was seen on fewer than `least_days`."""
        place = minute_of_day / (1440 / DAILY.bins) - 1 / 2
        low, bins = math.floor(place), DAILY.bins
        share = place - low
        low, high = low % bins, (low + 1) % bins
        if self.days[low] < least_days or self.days[high] < least_days:
            return None
        return self.usual[low] * (1.0 - share) + self.usual[high] * share


class DailyExtremes(msgspec.Struct):
    """Minimum, maximum and mean of each whole, undisturbed day; the last `keep` days.

    Days are counted from the first value, so that one is known after 24 h. A day is spoilt when more than
    `DAILY.left_out_values` were not to be learnt from: a short false alarm must not stop the learning.
    """

    keep: int = msgspec.field(default_factory=lambda: DAILY.extremes_kept)
    start_ms: int = -1
    day: int = -1
    left_out: int = 0
    low: float = 0.0
    high: float = 0.0
    total: float = 0.0
    count: int = 0
    lows: list[float] = msgspec.field(default_factory=list)
    highs: list[float] = msgspec.field(default_factory=list)
    means: list[float] = msgspec.field(default_factory=list)

    def add(self, time_ms: int, value: float, learn: bool, enough: int) -> None:
        """`enough`: values a day must have to count (a day of gaps does not)."""
        if self.start_ms < 0:
            self.start_ms = time_ms
        day = (time_ms - self.start_ms) // DAY_MS
        if day != self.day:
            if self.count >= max(enough, 1) and self.left_out <= DAILY.left_out_values:
                for kept, new in (
                    (self.lows, self.low),
                    (self.highs, self.high),
                    (self.means, self.total / self.count),
                ):
                    kept.append(new)
                    del kept[: -self.keep]
            self.day, self.total, self.count, self.left_out = day, 0.0, 0, 0
        if not learn:
            self.left_out += 1
            return
        if not self.count:  # the first that is learnt from, not the first of the day
            self.low = self.high = value
        self.total += value
        self.count += 1
        if value < self.low:
            self.low = value
        elif value > self.high:
            self.high = value
