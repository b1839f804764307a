"""The lamp seen through a lux sensor: its level, its edges and its ramp, with sunlight beside it.

Sunlight adds to the lamp and moves slowly; the lamp adds its own level, at once or along its ramp. So edges
are rises and falls by more than half the lamp's level within the lamp's own ramp, never plain levels.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.estimators.robust import median

__all__ = ["Edge", "LampTracker"]

DARK_LX = 150.0  # below this no aquarium lamp is on; common practice, no source
LONGEST_RAMP_MIN = 60.0
NO_EDGE_MS = 36 * 3_600_000


class Edge(msgspec.Struct):
    """One switching: +1 on, −1 off; `time_ms` as the timer gave it (begin of the rise, end of the fall).

    `quarter_min` is how long the second quarter of the swing took, a quarter of the ramp; `size` is in lux.
    """

    sign: int
    time_ms: int
    quarter_min: float
    size: float


class LampTracker(msgspec.Struct):
    """Level, ramp and state of one lamp. `lit` is None until it is known."""

    times: list[int] = msgspec.field(default_factory=list)
    values: list[float] = msgspec.field(default_factory=list)
    raw: list[float] = msgspec.field(default_factory=list)
    raw_ms: list[int] = msgspec.field(default_factory=list)
    lit: bool | None = None
    plateaus: list[float] = msgspec.field(default_factory=list)
    plateau_days: list[int] = msgspec.field(default_factory=list)
    quarters: list[float] = msgspec.field(default_factory=list)
    today: list[float] = msgspec.field(default_factory=list)
    today_day: int = -1
    last_edge_ms: int = -1

    def level(self) -> float | None:
        """The lamp's own level in lux; None before the first photoperiod has ended.

        The lowest but one of the last five photoperiods: sunlight only adds, and one odd day is left out.
        """
        last = sorted(self.plateaus[-5:])
        return None if not last else last[0] if len(last) < 4 else last[1]

    def steady(self, first_ms: float, last_ms: float, share: float) -> bool:
        """Whether the light stood still, within `share` of the lamp's level, in all of a span."""
        seen, level = self._span(first_ms, last_ms), self.level()
        return level is not None and bool(seen) and max(seen) - min(seen) <= share * level

    def highest(self, first_ms: float, last_ms: float) -> float:
        """The brightest of a span, lux; infinite where too little was seen of it to say."""
        return max(self._span(first_ms, last_ms), default=float("inf"))

    def _span(self, first_ms: float, last_ms: float) -> list[float]:
        """What was seen in a span of the last 80 minutes; nothing where that was less than the most of it."""
        seen = [v for at, v in zip(self.times, self.values, strict=True) if first_ms <= at <= last_ms]
        return seen if len(seen) >= 0.6 * (last_ms - first_ms) / 60_000 else []

    def ramp_min(self, setting: float | None) -> float:
        """Ramp in minutes: as set, else as seen, else the longest one that is to be expected."""
        if setting is not None:
            return setting
        if len(self.quarters) >= 2:
            quarter = median(self.quarters)
            return 0.0 if quarter <= 1.5 else min(4 * quarter, 90.0)
        return LONGEST_RAMP_MIN

    def add(self, time_ms: int, lux: float, ramp_setting: float | None) -> Edge | None:
        """One frame's mean; the edge that it completes, if it completes one."""
        times, values = self.times, self.values
        if times and abs(time_ms - times[-1]) > 15 * 60_000:
            times.clear()
            values.clear()
            self.raw.clear()
            self.raw_ms.clear()
            # the edge, if there was one, fell into the gap: go by the level
            level = self.level()
            if level is not None:
                self.lit = True if lux > 0.7 * level else False if lux < 0.3 * level else None
        # the middle of three, a minute late: a spike is no edge
        raw = self.raw
        raw.append(lux)
        self.raw_ms.append(time_ms)
        if len(raw) < 3:
            return None
        if len(raw) > 3:
            del raw[0]
            del self.raw_ms[0]
        a, b, c = raw
        lux = max(min(a, b), min(max(a, b), c))
        times.append(self.raw_ms[1])
        values.append(lux)
        if len(times) > 100:
            del times[:20]
            del values[:20]
        level = self.level()
        if level is None:
            self.lit = False if lux < DARK_LX else self.lit
            return None
        if lux < 0.12 * level and self.lit is None:
            self.lit = False
        if self.quarters and time_ms - self.last_edge_ms > NO_EDGE_MS:
            self.quarters.clear()  # a ramp learnt from shadows is too short to see the lamp's own by
        span = round(self.ramp_min(ramp_setting)) + 5
        first = max(0, len(values) - span)
        if not self.lit:
            base = min(values[first:])
            if lux - base >= 0.55 * level:
                return self._rise(first, base, level)
        if self.lit is not False:
            top = max(values[first:])
            if top - lux >= 0.55 * level:
                return self._fall(first, top, level)
        return None

    def _rise(self, first: int, base: float, level: float) -> Edge:
        values = self.values
        half = self._last_below(first, base + 0.5 * level)
        quarter = self._last_below(first, base + 0.25 * level)
        took = half - quarter
        self.lit, self.last_edge_ms = True, self.times[-1]
        return Edge(
            1, int(quarter - took) if took > 60_000 else int(quarter), took / 60_000, values[-1] - base
        )

    def _fall(self, first: int, top: float, level: float) -> Edge:
        half = self._last_above(first, top - 0.5 * level)
        quarter = self._last_above(first, top - 0.25 * level)
        took = half - quarter
        self.lit, self.last_edge_ms = False, self.times[-1]
        end = half + 2 * took if took > 60_000 else half
        return Edge(-1, int(end), took / 60_000, top - self.values[-1])

    def _last_below(self, first: int, threshold: float) -> float:
        """When the last rise crossed the threshold, between frames by straight line."""
        for index in range(len(self.values) - 2, first - 1, -1):
            if self.values[index] < threshold:
                return self._cross(index, threshold)
        return float(self.times[first])

    def _last_above(self, first: int, threshold: float) -> float:
        for index in range(len(self.values) - 2, first - 1, -1):
            if self.values[index] > threshold:
                return self._cross(index, threshold)
        return float(self.times[first])

    def _cross(self, index: int, threshold: float) -> float:
        low, high = self.values[index], self.values[index + 1]
        share = (threshold - low) / (high - low) if high != low else 0.0
        start = self.times[index]
        # a frame's mean stands for its middle
        return start + 30_000 + share * (self.times[index + 1] - start)

    def learn_edge(self, edge: Edge) -> None:
        """An edge that was where the schedule has it: its ramp is this lamp's."""
        self.quarters.append(edge.quarter_min)
        del self.quarters[:-8]

    def learn_plateau(self, day: int, lux: float | None) -> None:
        """Five-minute values from the middle of the photoperiod; None ends the day's photoperiod."""
        if lux is not None:
            if day != self.today_day:
                self.today.clear()
                self.today_day = day
            self.today.append(lux)
        elif self.today:
            if len(self.today) >= 12:
                ordered = sorted(self.today)
                # a low quantile: sunlight only ever adds
                low = ordered[len(ordered) // 8]
                if low > 2 * DARK_LX:
                    self.plateaus.append(low)
                    self.plateau_days.append(self.today_day)
                del self.plateaus[:-60]
                del self.plateau_days[:-60]
            self.today.clear()

    def learn_blind(self, day: int, lux: float) -> None:
        """Five-minute values round the clock where no schedule is known: the bright ones are the lamp's."""
        self.today.append(lux)
        if len(self.today) >= 288:
            top = sorted(self.today)[-3]
            bright = [value for value in self.today if value > 0.4 * top]
            if top > 2 * DARK_LX and len(bright) >= 24:
                self.plateaus.append(median(bright))
                self.plateau_days.append(day)
            self.today.clear()
