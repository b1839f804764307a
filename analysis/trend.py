"""Small estimators shared by the detectors: slopes, robust statistics, the usual day.

All are `msgspec.Struct`s made of plain lists and numbers, so that a snapshot of them is one call and
survives a restart bit for bit.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import msgspec

__all__ = ["DailyExtremes", "DailyProfile", "LocalClock", "Window", "median", "spread", "theil_sen"]

HOUR_MS = 3_600_000
DAY_MS = 86_400_000
PATIENCE = 36  # five-minute values: three hours


def median(values: list[float]) -> float:
    """Median; ValueError on an empty list."""
    if not values:
        raise ValueError("median of nothing")
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


def spread(values: list[float]) -> float:
    """Robust standard deviation, 1.4826 times the median absolute deviation (0 for fewer than 3 values)."""
    if len(values) < 3:
        return 0.0
    centre = median(values)
    return 1.4826 * median([abs(value - centre) for value in values])


def theil_sen(xs: list[float], ys: list[float]) -> float:
    """Median of the pairwise slopes (Theil 1950, Sen 1968); 0 for fewer than two points."""
    slopes = [
        (ys[j] - ys[i]) / (xs[j] - xs[i])
        for i in range(len(xs))
        for j in range(i + 1, len(xs))
        if xs[j] != xs[i]
    ]
    return median(slopes) if slopes else 0.0


class LocalClock:
    """Local minute of day and day number from UTC milliseconds; looks the zone up once a quarter-hour."""

    def __init__(self, timezone: str) -> None:
        self._zone = ZoneInfo(timezone)
        self._until = self._from = 0
        self._offset = 0

    def offset_ms(self, time_ms: int) -> int:
        """Offset from UTC at that moment, in ms (offsets only change on quarter-hours)."""
        if not self._from <= time_ms < self._until:
            self._from = time_ms // 900_000 * 900_000
            self._until = self._from + 900_000
            moment = datetime.fromtimestamp(self._from / 1000, UTC).astimezone(self._zone)
            delta = moment.utcoffset()
            self._offset = int(delta.total_seconds() * 1000) if delta else 0
        return self._offset

    def local(self, time_ms: int) -> tuple[int, float]:
        """(day number, minutes after local midnight)."""
        day, rest = divmod(time_ms + self.offset_ms(time_ms), DAY_MS)
        return day, rest / 60_000

    def text(self, time_ms: int) -> str:
        """HH:MM, local."""
        minute = int(self.local(time_ms)[1])
        return f"{minute // 60:02d}:{minute % 60:02d}"


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

    def slope_per_hour(self, span_ms: int) -> float | None:
        """Least-squares slope over the last `span_ms`; None until three quarters of it are there."""
        if span_ms not in self.slopes:
            self.slopes[span_ms] = self._slope(span_ms)
        return self.slopes[span_ms]

    def _slope(self, span_ms: int) -> float | None:
        times = self.times
        n = len(times)
        if n < 3:
            return None
        end = times[-1]
        first = n - 1
        while first > 0 and times[first - 1] >= end - span_ms:
            first -= 1
        count = n - first
        if count < 3 or end - times[first] < 0.75 * span_ms:
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
