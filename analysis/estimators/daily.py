"""The usual value by time of day that one odd day can't bend: medians of the last days, by half-hours."""

from __future__ import annotations

import msgspec

from rushlight.analysis.estimators.robust import median

__all__ = ["UsualDay"]

BINS = 48
KEPT_DAYS = 5


class UsualDay(msgspec.Struct):
    """Half-hour bins of the last five days that were to be learnt from.

    A mean takes a day or two to forget a water change, and shows it as a hump in the usual curve until then;
    a hump that ends looks like gas. Of two days the newer counts: the first may not have been at rest.
    """

    bins: list[list[float]] = msgspec.field(default_factory=lambda: [[] for _ in range(BINS)])
    usual: list[float] = msgspec.field(default_factory=lambda: [0.0] * BINS)
    bin: int = -1
    total: float = 0.0
    count: int = 0

    def add(self, minute_of_day: float, value: float, learn: bool) -> None:
        """One five-minute value; `learn` False where it isn't the tank's own usual."""
        index = int(minute_of_day // 30) % BINS
        if index != self.bin:
            if self.bin >= 0 and self.count >= 2:
                days = self.bins[self.bin]
                days.append(self.total / self.count)
                del days[:-KEPT_DAYS]
                self.usual[self.bin] = days[-1] if len(days) == 2 else median(days)
            self.bin, self.total, self.count = index, 0.0, 0
        if learn:
            self.total += value
            self.count += 1

    def at(self, minute_of_day: float, least_days: int = 1) -> float | None:
        """Interpolated between bin centres; None where it was seen on fewer than `least_days`."""
        place = minute_of_day / 30 - 0.5
        low = int(place // 1) % BINS
        high = (low + 1) % BINS
        if len(self.bins[low]) < least_days or len(self.bins[high]) < least_days:
            return None
        share = place % 1
        return self.usual[low] * (1 - share) + self.usual[high] * share
