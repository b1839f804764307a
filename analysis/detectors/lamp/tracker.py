"""The lamp seen through a lux sensor: its level, its edges and its ramp, with sunlight beside it.

Sunlight adds to the lamp and moves slowly; the lamp adds its own level, at once or along its ramp. So edges
are rises and falls by more than half the lamp's level within the lamp's own ramp, never plain levels.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence

import msgspec

from rushlight.analysis.detectors.lamp.edge import Edge
from rushlight.analysis.detectors.lamp.numbers import PRESENCE, TRACKER
from rushlight.analysis.detectors.lamp.steady_light import level_beside_dark, steady_level
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS

__all__ = ["LampTracker"]


class LampTracker(msgspec.Struct, dict=True):
    """Level, ramp and state of one lamp. `lit` is None until it is known.

    Level and ramp, which are asked several times a minute, are kept beside the saved fields until a day or an
    edge is learnt.

    `every_min` and `step_lx` are what is known of the sensor: minutes from frame to frame, and its
    quantisation; `lapsed` the minutes that the newest frame counts for; `begun_ms` is the time of the first
    frame after the last gap (ms UTC).
    """

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
    every_min: float = 1.0
    step_lx: float = 0.0
    lapsed: int = 1
    begun_ms: int = -1

    def hear(self, sensor: Sensor, report_every_s: float) -> None:
        """What is known of the sensor; what the settings say of its reports, before that."""
        every_s = sensor.interval_ms / 1000 or report_every_s
        self.every_min = min(max(1.0, every_s / 60), TRACKER.gap_min)
        self.step_lx = sensor.step

    def level(self) -> float | None:
        """The lamp's own level in lux; None before the first photoperiod has ended.

        The lowest but one of the last photoperiods: sunlight only adds, and one odd day is left out.
        """
        if not self.plateaus:
            return None
        level: float | None = self.__dict__.get("kept_level")
        if level is None:
            last = sorted(self.plateaus[-TRACKER.level_days :])
            level = self.__dict__["kept_level"] = last[0] if len(last) < TRACKER.second_days else last[1]
        return level

    def steady(self, first_ms: float, last_ms: float, share: float) -> bool:
        """Whether the light stayed as it was, within `share` of the lamp's level, in all of a span."""
        seen, level = self._span(first_ms, last_ms), self.level()
        if level is None or len(seen) < TRACKER.steady_frames:
            return False
        return max(seen) - min(seen) <= max(share * level, self.grain(level))

    def clear(self, edge: Edge) -> bool:
        """Whether it is surely the lamp's: no larger than that, out of light that was still before it."""
        level = self.level()
        if level is None or edge.size > TRACKER.most_clear * level:
            return False
        ramp_min = edge.quarter_min / (TRACKER.late_share - TRACKER.early_share) if edge.sign < 0 else 0.0
        last_ms = edge.time_ms - (ramp_min + self.every_min) * MINUTE_MS
        still_min = max(PRESENCE.still_min, TRACKER.steady_frames * self.every_min)
        return self.steady(last_ms - still_min * MINUTE_MS, last_ms, TRACKER.clear_share)

    def grain(self, level: float) -> float:
        """What a light that stays as it is may move by on this sensor, lux: a step, and a little."""
        # with no ramp the only differences may be the lamp's own switchings
        return min(TRACKER.grain_steps * self.step_lx, TRACKER.grain_share * level)

    def mean(self, first_ms: float, last_ms: float) -> float | None:
        """Of a span, lux; None where too little was seen of it."""
        seen = self._span(first_ms, last_ms)
        return sum(seen) / len(seen) if seen else None

    def still(self, now_ms: int) -> bool:
        """Whether the light has stayed as it is for as long as a lamp's does, and the sun's doesn't."""
        return self.steady(now_ms - PRESENCE.still_min * MINUTE_MS, now_ms, PRESENCE.still_share)

    def highest(self, first_ms: float, last_ms: float) -> float:
        """The brightest of a span, lux; infinite where too little was seen of it to say."""
        return max(self._span(first_ms, last_ms), default=float("inf"))

    def newest_highest(self, minutes: int) -> float:
        """The brightest of the last minutes, of two frames at least; lux."""
        begin_ms = self.times[-1] - minutes * MINUTE_MS
        first = max(0, min(bisect.bisect_left(self.times, begin_ms), len(self.times) - 2))
        return max(self.values[first:])

    def _span(self, first_ms: float, last_ms: float) -> list[float]:
        """What was seen in a span of the last 80 minutes; nothing where that was less than the most of it."""
        seen = [v for at, v in zip(self.times, self.values, strict=True) if first_ms <= at <= last_ms]
        most = (last_ms - first_ms) / MINUTE_MS / self.every_min
        return seen if len(seen) >= TRACKER.seen_share * most else []

    @property
    def knows_ramp(self) -> bool:
        """Whether the ramp has been seen."""
        return len(self.quarters) >= TRACKER.known_edges

    def ramp_min(self, setting: float | None) -> float:
        """Ramp in minutes: as set, else as seen, else the longest one that is to be expected."""
        if setting is not None:
            return setting
        if not self.knows_ramp:
            return TRACKER.longest_ramp_min
        ramp: float | None = self.__dict__.get("kept_ramp")
        if ramp is None:
            quarter = median(self.quarters)
            ramp = min(quarter / (TRACKER.late_share - TRACKER.early_share), TRACKER.longest_seen_ramp_min)
            ramp = self.__dict__["kept_ramp"] = 0.0 if quarter <= TRACKER.at_once_min else ramp
        return ramp

    def add(
        self, time_ms: int, lux: float, ramp_setting: float | None, waited: Sequence[float] = ()
    ) -> Edge | None:
        """One frame's mean; the edge that it completes, if it completes one.

        `waited` are those of the minutes before it that have not been given yet: light as it was.
        """
        if self.times and abs(time_ms - self.times[-1]) > TRACKER.gap_min * MINUTE_MS:
            self._gap(time_ms, lux)
        before_ms = self.raw_ms[-1] if self.raw_ms else time_ms - round(self.every_min) * MINUTE_MS
        self.lapsed = max(1, (time_ms - before_ms) // MINUTE_MS)
        raw = [*self.raw[-2:], *waited, lux]
        raw_ms = [*self.raw_ms[-2:], *range(time_ms - len(waited) * MINUTE_MS, time_ms + 1, MINUTE_MS)]
        self.raw, self.raw_ms = raw[-3:], raw_ms[-3:]
        if len(raw) <= 2:
            return None
        times, values = self.times, self.values
        first = not values
        # the middle of three, a minute late: a spike is no edge
        for a, b, c in zip(raw, raw[1:], raw[2:], strict=False):
            values.append(b if a <= b <= c or c <= b <= a else max(min(a, b), min(max(a, b), c)))
        times += raw_ms[1:-1]
        if len(times) > TRACKER.kept_frames:
            del times[: TRACKER.let_go_frames], values[: TRACKER.let_go_frames]
        lux = values[-1]
        level = self.level()
        if level is None:
            self.lit = False if lux < TRACKER.dark_lx else self.lit
            return None
        if first and self.begun_ms >= 0:
            self._by_level(lux, level)  # the frame right after a gap may have been a spike
        if lux < TRACKER.out_share * level and self.lit is None:
            self.lit = False
        if self.quarters and time_ms - self.last_edge_ms > TRACKER.no_edge_h * HOUR_MS:
            self._learn_quarters([])  # a ramp learnt from shadows is too short to see the lamp's own by
        return self._edge(lux, level, ramp_setting)

    def _gap(self, time_ms: int, lux: float) -> None:
        """The edge, if there was one, fell into the gap: go by the level."""
        for kept in (self.times, self.values, self.raw, self.raw_ms):
            kept.clear()
        self.begun_ms = time_ms
        level = self.level()
        if level is not None:
            self._by_level(lux, level)

    def _by_level(self, lux: float, level: float) -> None:
        lit, dark = lux > TRACKER.lit_share * level, lux < TRACKER.dark_share * level
        self.lit = True if lit else False if dark else None

    def _edge(self, lux: float, level: float, ramp: float | None) -> Edge | None:
        """The edge within the last minutes, as many as the ramp takes and some; `ramp` as set."""
        span = round(self.ramp_min(ramp)) + TRACKER.extra_min
        values = self.values
        begin_ms = self.times[-1] - max(0, span - 1) * MINUTE_MS
        # at least one frame before this one, however rare they are
        first = max(0, min(bisect.bisect_left(self.times, begin_ms), len(values) - 2))
        if not self.lit:
            base = min(values[first:])
            if lux - base >= TRACKER.edge_share * level:
                return self._rise(first, base, level, ramp)
        if self.lit is not False:
            top = max(values[first:])
            if top - lux >= TRACKER.edge_share * level:
                return self._fall(first, top, level, ramp)
        return None

    def _rise(self, first: int, base: float, level: float, ramp: float | None) -> Edge:
        late = self._last_below(first, base + TRACKER.late_share * level)
        early = self._last_below(first, base + TRACKER.early_share * level)
        took = late - early
        # at the pace of that part of the rise, from where it began
        before = took * TRACKER.early_share / (TRACKER.late_share - TRACKER.early_share)
        self.lit, self.last_edge_ms = True, self.times[-1]
        begun = early - before if took > MINUTE_MS else early
        if took < self.every_min * MINUTE_MS and self.every_min > TRACKER.rare_min:
            begun = late - self._half_ramp_ms(ramp)  # between two frames: half way up, at the middle
        return Edge(1, int(begun), took / MINUTE_MS, self.values[-1] - base)

    def _fall(self, first: int, top: float, level: float, ramp: float | None) -> Edge:
        late = self._last_above(first, top - TRACKER.late_share * level)
        early = self._last_above(first, top - TRACKER.early_share * level)
        took = late - early
        after = took * (1 - TRACKER.late_share) / (TRACKER.late_share - TRACKER.early_share)
        self.lit, self.last_edge_ms = False, self.times[-1]
        end = late + after if took > MINUTE_MS else late
        if took < self.every_min * MINUTE_MS and self.every_min > TRACKER.rare_min:
            end = late + self._half_ramp_ms(ramp)
        return Edge(-1, int(end), took / MINUTE_MS, top - self.values[-1])

    def _half_ramp_ms(self, setting: float | None) -> float:
        return self.ramp_min(setting) * MINUTE_MS / 2 if setting is not None or self.knows_ramp else 0.0

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
        low, high, start = self.values[index], self.values[index + 1], self.times[index]
        share = (threshold - low) / (high - low) if high != low else 0.0
        # a frame's mean belongs to its middle
        return start + MINUTE_MS // 2 + share * (self.times[index + 1] - start)

    def learn_edge(self, edge: Edge) -> None:
        """An edge that was where the schedule has it: its ramp is this lamp's."""
        self._learn_quarters([*self.quarters, edge.quarter_min][-TRACKER.kept_edges :])

    def _learn_quarters(self, quarters: list[float]) -> None:
        self.quarters = quarters
        self.__dict__.pop("kept_ramp", None)

    def learn_plateau(self, day: int, lux: float | None, lit_min: float = 0.0) -> None:
        """Five-minute values from the middle of the photoperiod; None ends the day's photoperiod.

        `lit_min` is how long that middle is; the first that is learnt must have been seen for most of it.
        """
        if lux is not None:
            if day != self.today_day:
                self.today, self.today_day = [], day
            self.today.append(lux)
        elif self.today:
            least = TRACKER.least_values
            if not self.plateaus:
                every_min = max(TRACKER.value_min, self.every_min)
                least = max(least, round(TRACKER.least_share * lit_min / every_min))
            if len(self.today) >= least:
                ordered = sorted(self.today)
                # sunlight only ever adds
                low = ordered[int(len(ordered) * TRACKER.low_quantile)]
                self._learn_level(self.today_day, low, low)
            self.today.clear()

    def learn_blind(self, day: int, lux: float) -> bool:
        """Five-minute values round the clock, no schedule known: True where a day's have shown the level."""
        self.today.append(lux)
        if len(self.today) < TRACKER.day_values:
            return False
        level = steady_level(self.today)
        if level is None:
            level = level_beside_dark(self.today)
        self.today.clear()
        if level is not None:
            self._learn_level(day, level, level)
        return level is not None

    def _learn_level(self, day: int, seen: float, level: float) -> None:
        """A day's level, where what was seen is bright enough for a lamp."""
        if seen > TRACKER.lamp_lx:
            self.__dict__.pop("kept_level", None)
            self.plateaus.append(level)
            self.plateau_days.append(day)
            del self.plateaus[: -TRACKER.kept_days], self.plateau_days[: -TRACKER.kept_days]
