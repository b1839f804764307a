"""Light: the lamp's times against its schedule, a lamp that is missing, stuck on or growing dim."""

from __future__ import annotations

import itertools

import msgspec

from analysis.detectors.base import MINUTE_MS, Moment, Tank, minutes_text
from analysis.light import Edge, LampTracker
from analysis.trend import DAY_MS, DailyProfile, median, theil_sen
from analysis.types import Finding
from collector.settings import parse_time_of_day

__all__ = ["LampDetector"]

PATIENCE_MIN = 45.0  # past its time; longer where the timer is likely to be an hour or more off
HOUR_OFF_MIN = 75.0
GLOW_MIN = 45
OUT_MIN = 40.0  # a lamp switched off by hand for work at the tank comes back sooner
FARTHEST_DRIFT_MIN = 240.0
DIMMING_SHARE = 0.12


class LampDetector(msgspec.Struct):
    """State of the light family of one tank."""

    tracker: LampTracker = msgspec.field(default_factory=LampTracker)
    learnt_on: list[float] = msgspec.field(default_factory=list)
    learnt_off: list[float] = msgspec.field(default_factory=list)
    error_days: list[float] = msgspec.field(default_factory=list)
    errors: list[float] = msgspec.field(default_factory=list)
    doubtful: float | None = None
    shift: float = 0.0
    drifting: bool = False
    last_on_error: float | None = None
    last_edge_ms: int = -1
    out_since: int = -1
    out_total_ms: int = 0
    odd_since: int = -1
    lit_since: int = -1
    lit_sharply: bool = False
    last_offset: int = 0
    clock_changed_ms: int = -1
    missing: bool = False
    stuck: bool = False
    dim: bool = False
    dim_numbers: list[float] = msgspec.field(default_factory=list)
    bright_minutes: int = 0
    usual: DailyProfile = msgspec.field(default_factory=DailyProfile)
    glow_minutes: int = 0
    dark_minutes: int = 0

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that stand after it. O(1)."""
        frame = moment.frame
        now = frame.start_ms
        offset = tank.clock.offset_ms(now)
        if offset != self.last_offset:
            if self.last_offset or self.last_edge_ms >= 0:
                self.clock_changed_ms = now
            self.last_offset = offset
        schedule = self._schedule(tank)
        if frame.light is not None and "light" not in moment.faulty:
            ramp = tank.settings.light.ramp_min if tank.settings.light else None
            edge = self.tracker.add(now, frame.light, ramp)
            if edge is not None:
                moment.lamp_edge, moment.lamp_edge_ms = edge.sign, edge.time_ms
                self._edge(tank, moment, edge, schedule)
            if schedule is None and moment.fifth:
                self.tracker.learn_blind(moment.day, frame.light)
            elif schedule is not None:
                self._watch(tank, moment, frame.light, schedule)
        elif frame.light is None:
            self.bright_minutes = self.dark_minutes = 0
        moment.lamp_on = self.tracker.lit
        moment.lamp_out_since_ms = self.out_since
        return self._findings(tank, moment, schedule)

    # -- the schedule -------------------------------------------------------------------------------

    def _schedule(self, tank: Tank) -> tuple[float, float] | None:
        light = tank.settings.light
        if light is not None and light.on is not None and light.off is not None:
            return float(parse_time_of_day(light.on)), float(parse_time_of_day(light.off))
        ons, offs = self.learnt_on[-5:], self.learnt_off[-5:]
        if min(len(ons), len(offs)) >= 2 and max(ons) - min(ons) < 20 and max(offs) - min(offs) < 20:
            return median(self.learnt_on[:5]), median(self.learnt_off[:5])
        return None

    def _tolerance(self, tank: Tank) -> float:
        light = tank.settings.light
        tolerance = light.tolerance_min if light else 15.0
        if light is None or light.ramp_min is None:
            # a ramp whose shape is not known blurs its own beginning
            tolerance += 0.3 * min(self.tracker.ramp_min(None), 60) if len(self.tracker.quarters) >= 2 else 0
        else:
            tolerance += 0.1 * light.ramp_min
        return tolerance

    def _edge(self, tank: Tank, moment: Moment, edge: Edge, schedule: tuple[float, float] | None) -> None:
        _, minute = tank.clock.local(edge.time_ms)
        self.last_edge_ms = edge.time_ms
        if edge.sign > 0:
            self.lit_since = edge.time_ms
            level = self.tracker.level() or edge.size
            self.lit_sharply = edge.quarter_min < 1.5 and 0.7 < edge.size / level < 1.4
            if self.out_since >= 0:
                self.out_total_ms = edge.time_ms - self.out_since
            if (
                self.out_since >= 0
                and not self.missing
                and edge.time_ms - self.out_since < OUT_MIN * MINUTE_MS
            ):
                self.out_since = -1
                return  # a shadow, or somebody working at the tank
            came_back = self.out_since >= 0
            self.out_since = -1
            if came_back and schedule is not None and self._inside(minute, schedule, 0):
                return
        if schedule is None:
            kept = self.learnt_on if edge.sign > 0 else self.learnt_off
            kept.append(minute)
            del kept[:-10]
            self.tracker.learn_edge(edge)
            return
        error = (minute - schedule[0 if edge.sign > 0 else 1] + 720) % 1440 - 720
        tolerance = self._tolerance(tank)
        length = (schedule[1] - schedule[0]) % 1440
        if edge.sign < 0 and error < -tolerance and self._inside(minute, schedule, tolerance):
            level = self.tracker.level() or 0.0
            if self.tracker.values[-1] > 0.7 * level:
                self.tracker.lit = True  # the sun went, the lamp is still there
                return
            # out before its time: a drift if it also came on that early, else it has gone out
            early = self.last_on_error
            if early is None or abs(early - error) > 15 or -error > length / 2:
                self.out_since = edge.time_ms
                return
        self.out_since = -1
        if edge.sign > 0:
            self.last_on_error = error
        if abs(error) > FARTHEST_DRIFT_MIN:
            return
        ramp = self.tracker.ramp_min(tank.settings.light.ramp_min if tank.settings.light else None)
        shape_ok = abs(edge.quarter_min - ramp / 4) < max(3.0, ramp / 8)
        if abs(error) <= tolerance:
            self.tracker.learn_edge(edge)
        elif not (self.doubtful is not None and abs(self.doubtful - error) < 12) and not (
            bool(self.errors)
            and shape_ok
            and edge.quarter_min < 1.5
            and 0.7 < edge.size / (self.tracker.level() or edge.size) < 1.4
        ):
            # may be the sun coming round the corner: believed when the next edge says the same
            self.doubtful = error
            return
        self.doubtful = None
        self.errors.append(error)
        self.error_days.append(edge.time_ms / DAY_MS)
        del self.errors[:-28]
        del self.error_days[:-28]
        self._judge_drift(tank, tolerance)

    def _judge_drift(self, tank: Tank, tolerance: float) -> None:
        error = self.errors[-1]
        recent_days = [d for d in self.error_days if d > self.error_days[-1] - 10]
        recent = self.errors[-len(recent_days) :]
        fitted = error
        if len(recent) >= 6:
            slope = theil_sen(recent_days, recent)
            middle = median([e - slope * d for d, e in zip(recent_days, recent, strict=True)])
            fitted = middle + slope * recent_days[-1]
            if abs(fitted - error) > 8:
                fitted = error  # a jump, not a drift
        measure = fitted if abs(fitted) > abs(error) else error
        if abs(error) > tolerance + 1 or abs(fitted) > tolerance + 1.5:
            self.drifting, self.shift = True, measure
        elif self.drifting and abs(error) < tolerance - 1:
            self.drifting, self.shift = False, 0.0
        elif self.drifting:
            self.shift = measure

    @staticmethod
    def _inside(minute: float, schedule: tuple[float, float], margin: float) -> bool:
        """Within the photoperiod, `margin` minutes from its ends."""
        on, off = schedule
        return margin < (minute - on) % 1440 < (off - on) % 1440 - margin

    # -- minute by minute ---------------------------------------------------------------------------

    def _watch(self, tank: Tank, moment: Moment, lux: float, schedule: tuple[float, float]) -> None:
        now = moment.frame.start_ms
        tracker = self.tracker
        level = tracker.level()
        on, off = schedule
        length = (off - on) % 1440
        since_on = (moment.minute - on) % 1440
        moment.lamp_should_be_on = since_on < length
        ramp_setting = tank.settings.light.ramp_min if tank.settings.light else None
        ramp = tracker.ramp_min(ramp_setting)
        clock_changed = self.clock_changed_ms >= 0 and now - self.clock_changed_ms < 8 * DAY_MS
        least = HOUR_OFF_MIN if clock_changed else PATIENCE_MIN
        patience = max(least, self._tolerance(tank) + ramp + 15)
        margin = max(ramp, self._tolerance(tank)) + 10 + abs(self.shift)
        if moment.fifth:
            if margin < since_on < length - margin and (tracker.lit or level is None):
                tracker.learn_plateau(moment.day, lux)
            elif since_on >= length + margin and tracker.today:
                tracker.learn_plateau(moment.day, None)
                self._judge_dimming()
        if level is None:
            # never seen it lit: by two hours and more into the photoperiod it is missing all the same
            self.missing = patience + 60 < since_on < length - margin and lux < 150
            return
            self.usual.add(moment.minute, lux, not self.stuck)
        self._glow(moment, lux, level, since_on >= length + margin)
        self.bright_minutes = self.bright_minutes + 1 if lux > 0.8 * level else 0
        self.dark_minutes = self.dark_minutes + 1 if lux < 0.3 * level else 0
        if since_on < length and not tracker.lit and self.bright_minutes >= 20:
            tracker.lit = True  # its edge was lost in a gap or in sunlight
        if tracker.lit and self.dark_minutes >= 10:
            tracker.lit = False
            if self.out_since < 0 and margin < since_on < length - 30:
                self.out_since = now - 10 * MINUTE_MS
        late = max(0.0, self.shift)
        moment.lamp_absent = (
            not tracker.lit
            and lux < 0.3 * level
            and late + self._tolerance(tank) + 0.5 * ramp + 5 < since_on < length - margin
        )
        if tracker.lit:
            self.missing = False
            past_off = (moment.minute - off) % 1440
            held = self.out_total_ms / MINUTE_MS if self.out_total_ms else 0.0
            if since_on >= length and past_off < 1440 - length:
                wait = max(least, ramp + self._tolerance(tank) + 20) + max(late, held)
                timely = self.lit_since >= 0 and now - self.lit_since > 20 * MINUTE_MS
                # just before its time it may be early by drift
                early = (
                    (on - moment.minute) % 1440 < FARTHEST_DRIFT_MIN
                    and self.lit_since >= 0
                    and (now - self.lit_since < FARTHEST_DRIFT_MIN * MINUTE_MS)
                )
                # on since before its time to go out, or switched on since: the sun comes slowly
                lamp = self.lit_sharply or now - self.lit_since > past_off * MINUTE_MS
                if past_off > wait and timely and lamp and lux > 0.5 * level and not early:
                    self.stuck = True
            else:
                self.out_total_ms = 0 if since_on < 5 else self.out_total_ms
        else:
            self.stuck = self.glow_minutes > GLOW_MIN
            if since_on < length:
                waited_from = since_on - late
                dark = lux < 0.45 * level  # where the sun does the lamp's work nothing can be said
                if self.out_since >= 0:
                    self.missing = self.missing or (now - self.out_since > OUT_MIN * MINUTE_MS and dark)
                elif waited_from > patience and since_on < length - margin and dark:
                    self.missing = True
            elif self.out_since >= 0:
                self.out_since = -1

    def _glow(self, moment: Moment, lux: float, level: float, should_be_dark: bool) -> None:
        """A lamp that stays on dimmed: light at an hour that has always been dark, sun or no sun."""
        usual = self.usual.at(moment.minute)
        glows = should_be_dark and usual is not None and usual < 0.03 * level and lux > 0.12 * level
        self.glow_minutes = self.glow_minutes + 1 if glows else 0

    def _judge_dimming(self) -> None:
        """Robust slope over the last three weeks, with the Mann–Kendall count as its test."""
        levels = self.tracker.plateaus[-21:]
        days = [float(d) for d in self.tracker.plateau_days[-21:]]
        drops = [a - b for a, b in itertools.pairwise(levels)]
        if drops:
            largest = max(range(len(drops)), key=lambda i: abs(drops[i]))
            if abs(drops[largest]) > 0.12 * levels[0]:
                # another lamp, a cleaned glass: a step starts anew
                levels, days = levels[largest + 1 :], days[largest + 1 :]
        n = len(levels)
        if n < 6:
            self.dim = False
            return
        slope = theil_sen(days, levels)
        start = median([v - slope * d for v, d in zip(levels, days, strict=True)]) + slope * days[0]
        fall = -slope * (days[-1] - days[0]) / start if start > 0 else 0.0
        score = sum((b > a) - (b < a) for i, a in enumerate(levels) for b in levels[i + 1 :])
        sigma = (n * (n - 1) * (2 * n + 5) / 18) ** 0.5
        limit = DIMMING_SHARE * (0.6 if self.dim else 1.0)
        self.dim = fall > limit and score < -2.3 * sigma
        self.dim_numbers = [start, levels[-1], fall, days[-1] - days[0]]

    # -- what stands --------------------------------------------------------------------------------

    def _findings(self, tank: Tank, moment: Moment, schedule: tuple[float, float] | None) -> list[Finding]:
        if not (self.drifting or self.missing or self.stuck or self.dim):
            return []
        out: list[Finding] = []
        times = ""
        if schedule is not None:
            on, off = (int(v) for v in schedule)
            times = f"schedule {on // 60:02d}:{on % 60:02d} to {off // 60:02d}:{off % 60:02d}"
        if self.drifting:
            direction = "late" if self.shift > 0 else "early"
            cause = "the timer runs slow or fast, or has lost its time"
            if (
                abs(abs(self.shift) - 60) < 12
                and self.clock_changed_ms >= 0
                and moment.frame.start_ms - self.clock_changed_ms < 4 * DAY_MS
            ):
                cause = "the clocks have changed for daylight saving and the timer has not followed"
            elif self.out_total_ms:
                cause = "the timer stood still during a power cut"
            out.append(
                Finding(
                    alarm="light-schedule-drift",
                    priority="medium" if abs(self.shift) > 60 else "low",
                    value=round(self.shift, 1),
                    unit="min",
                    cause=cause,
                    observations=[
                        f"the lamp switches {minutes_text(abs(self.shift) * 60)} {direction}",
                        times,
                        "last switchings against the schedule, in minutes: "
                        + ", ".join(f"{e:+.0f}" for e in self.errors[-4:]),
                    ],
                )
            )
        level = self.tracker.level()
        lux = moment.frame.light
        seen = f"{lux:.0f} lx" if lux is not None else "no reading"
        usual = (
            f"the lamp usually gives {level:.0f} lx" if level is not None else "the lamp was never seen lit"
        )
        if self.missing:
            out.append(
                Finding(
                    alarm="light-missing",
                    priority="medium",
                    value=None if lux is None else round(lux),
                    unit="lx",
                    cause="the lamp, its driver, its plug or its timer has failed",
                    observations=[f"{seen} when it should be lit", usual, times],
                )
            )
        if self.stuck:
            out.append(
                Finding(
                    alarm="light-stuck-on",
                    priority="medium",
                    value=None if lux is None else round(lux),
                    unit="lx",
                    cause="the timer has stuck, was overridden by hand, or its contacts have welded",
                    observations=[f"{seen} when it should be dark", usual, times],
                )
            )
        if self.dim:
            start, now_lux, fall, days = self.dim_numbers
            out.append(
                Finding(
                    alarm="light-dimming",
                    priority="low",
                    value=round(now_lux),
                    unit="lx",
                    cause="the lamp ages, or its cover, the sensor or the water's surface has grown over",
                    observations=[
                        f"from {start:.0f} to {now_lux:.0f} lx in {days:.0f} days",
                        f"a fall of {fall * 100:.0f} %",
                    ],
                )
            )
        return out
