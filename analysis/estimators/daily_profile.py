"""What a quantity usually is at this time of the day, and its extremes a day."""

from __future__ import annotations

import msgspec

from rushlight.analysis.estimators.units import DAY_MS

__all__ = ["DailyExtremes", "DailyProfile"]

PATIENCE = 36  # five-minute values: three hours


class DailyProfile(msgspec.Struct):
    """The usual value by time of day: half-hour bins, exponentially forgetting over days."""

    means: list[float] = msgspec.field(default_factory=lambda: [0.0] * 48)
    days: list[int] = msgspec.field(default_factory=lambda: [0] * 48)
    bin: int = -1
    total: float = 0.0
    count: int = 0

    def add(self, minute_of_day: float, value: float, learn: bool) -> None:
        index = int(minute_of_day // 30)
        if index != self.bin:
            if self.bin >= 0 and self.count >= 2:
                old = self.bin
                seen = self.days[old]
                weight = max(0.25, 1 / (seen + 1))
                self.means[old] += weight * (self.total / self.count - self.means[old])
                self.days[old] = seen + 1
            self.bin, self.total, self.count = index, 0.0, 0
        if learn:
            self.total += value
            self.count += 1

    def at(self, minute_of_day: float, least_days: int = 1) -> float | None:
        """Interpolated between bin centres; None where it was seen on fewer than `least_days`."""
        place = minute_of_day / 30 - 0.5
        low = int(place // 1) % 48
        high = (low + 1) % 48
        share = place % 1
        if self.days[low] < least_days or self.days[high] < least_days:
            return None
        return self.means[low] * (1 - share) + self.means[high] * share


class DailyExtremes(msgspec.Struct):
    """Minimum, maximum and mean of each whole, undisturbed day; the last `keep` days.

    Days are counted from the first value, so that one is known after 24 h. A day is spoilt when more than
    `PATIENCE` of its values were not to be learnt from: a short false alarm must not stop the learning.
    """

    keep: int = 7
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
            if self.count >= enough and self.left_out <= PATIENCE:
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
