"""Light: the lamp's times against its schedule, a lamp that is missing, stuck on or growing dim."""

from __future__ import annotations

from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.lamp.dimming import LampDimming
from rushlight.analysis.detectors.lamp.drift import CAUSE_MS, FARTHEST_DRIFT_MIN, LampDrift
from rushlight.analysis.detectors.lamp.presence import OUT_MIN, Due, LampPresence
from rushlight.analysis.detectors.lamp.tracker import Edge, LampTracker
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS
from rushlight.analysis.findings import Finding
from rushlight.collector.settings import parse_time_of_day

__all__ = ["LampDetector"]

PATIENCE_MIN = 45.0  # past its time; longer where the timer is likely to be an hour or more off
HOUR_OFF_MIN = 75.0
CLOCK_DAYS = 8
CUT_MS = 1.5 * DAY_MS  # so long after a power cut a timer that stood still is no surprise
CUT_MIN = 10.0
GAP_MIN = 20.0  # without a report: a router's restart is shorter
HABIT_MIN = 10.0
DAY_MIN = 1440.0


class LampDetector(msgspec.Struct):
    """State of the light family of one tank.

    `own` are the lamp's hours (minutes of the day) where those of the settings are in doubt, `judged` those
    that the state is about.
    """

    name: ClassVar[str] = "lamp"
    place: ClassVar[str] = "lamp"
    alarms: ClassVar[frozenset[str]] = frozenset(
        {"light-missing", "light-stuck-on", "light-schedule-drift", "light-dimming"}
    )
    needs: ClassVar[frozenset[str]] = frozenset({"probes"})
    recalls: ClassVar[frozenset[str]] = frozenset({"doubts"})

    tracker: LampTracker = msgspec.field(default_factory=LampTracker)
    drift: LampDrift = msgspec.field(default_factory=LampDrift)
    presence: LampPresence = msgspec.field(default_factory=LampPresence)
    dimming: LampDimming = msgspec.field(default_factory=LampDimming)
    learnt_on: list[float] = msgspec.field(default_factory=list)
    learnt_off: list[float] = msgspec.field(default_factory=list)
    habit: list[float] = msgspec.field(default_factory=list)  # on and off, where the settings have neither
    last_offset: int = 0
    clock_changed_ms: int = -1
    clock_step_min: float = 0.0
    cut_ms: int = -1
    last_ms: int = -1
    own: list[float] = msgspec.field(default_factory=list)
    judged: list[float] = msgspec.field(default_factory=list)

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that stand after it. O(1)."""
        self.own = list(moment.doubts_before.lamp_hours)
        frame = moment.frame
        now = frame.start_ms
        self._clocks(tank, now)
        schedule = self._schedule(tank)
        self._anew(schedule)
        if frame.light is not None and "light" not in moment.probes.faulty:
            edge = self.tracker.add(now, frame.light, self._ramp_setting(tank))
            if edge is not None:
                moment.lamp.edge, moment.lamp.edge_ms = edge.sign, edge.time_ms
                self._edge(tank, moment, edge, schedule)
            if schedule is None and moment.fifth:
                self.tracker.learn_blind(moment.day, frame.light)
            elif schedule is not None:
                self._watch(tank, moment, frame.light, schedule)
        elif frame.light is None:
            self.presence.gap()
        moment.lamp.on, moment.lamp.level_lx = self.tracker.lit, self.tracker.level()
        moment.lamp.out_since_ms = self.presence.out_since
        if not self.drift.fitted:  # hours at which it was never seen to switch prove no power cut
            moment.lamp.absent, moment.lamp.out_since_ms = False, -1
        return self._findings(moment, schedule)

    def recall(self, moment: Moment) -> None:
        """Nobody asks what it said before."""

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """The lamp as it is seen and as it should be; nothing where no light is measured."""
        if not self.tracker.times:
            return {}
        lamp = moment.lamp
        return {
            "lamp_on": lamp.on,
            "lamp_should_be_on": lamp.should_be_on,
            "lamp_level_lx": lamp.level_lx,
            "lamp_late_min": self.drift.shift,
            "lamp_out_min": (moment.frame.start_ms - lamp.out_since_ms) / MINUTE_MS
            if lamp.out_since_ms >= 0
            else None,
        }

    def _clocks(self, tank: Tank, now: int) -> None:
        """Daylight saving, and gaps in the reports in which a timer may have stood still."""
        offset = tank.clock.offset_ms(now)
        if offset != self.last_offset:
            if self.last_ms >= 0:
                self.clock_changed_ms = now
                self.clock_step_min = (offset - self.last_offset) / MINUTE_MS
            self.last_offset = offset
        if self.last_ms >= 0 and now - self.last_ms > GAP_MIN * MINUTE_MS:
            self.cut_ms = now
        self.last_ms = now

    # -- the schedule -------------------------------------------------------------------------------

    @staticmethod
    def _ramp_setting(tank: Tank) -> float | None:
        light = tank.settings.light
        return light.ramp_min if light is not None else None

    def _anew(self, schedule: tuple[float, float] | None) -> None:
        """Other hours to judge by: what was found by the old ones says nothing."""
        hours = [] if schedule is None else list(schedule)
        if hours != self.judged:
            if self.judged:
                self.drift = LampDrift()
                presence = self.presence
                presence.missing = presence.stuck = False
                presence.out_since, presence.dark_minutes, presence.bright_minutes = -1, 0, 0
            self.judged = hours

    def _schedule(self, tank: Tank) -> tuple[float, float] | None:
        if self.own:
            return self.own[0], self.own[1]
        light = tank.settings.light
        if light is not None and light.on is not None and light.off is not None:
            return float(parse_time_of_day(light.on)), float(parse_time_of_day(light.off))
        return (self.habit[0], self.habit[1]) if self.habit else None

    def _tolerance(self, tank: Tank) -> float:
        light = tank.settings.light
        tolerance = light.tolerance_min if light else 15.0
        if light is None or light.ramp_min is None:
            # a ramp whose shape is not known blurs its own beginning
            tolerance += 0.3 * min(self.tracker.ramp_min(None), 60) if len(self.tracker.quarters) >= 2 else 0
        else:
            tolerance += 0.1 * light.ramp_min
        return tolerance

    # -- switchings ---------------------------------------------------------------------------------

    def _edge(self, tank: Tank, moment: Moment, edge: Edge, schedule: tuple[float, float] | None) -> None:
        _, minute = tank.clock.local(edge.time_ms)
        if edge.sign > 0 and self._came_on(edge, minute, schedule):
            return
        if schedule is None:
            kept = self.learnt_on if edge.sign > 0 else self.learnt_off
            kept.append(minute)
            del kept[:-10]
            self.tracker.learn_edge(edge)
            on, off = _habit(self.learnt_on), _habit(self.learnt_off)
            self.habit = [] if on is None or off is None else [on, off]
            return
        presence = self.presence
        error = (minute - schedule[0 if edge.sign > 0 else 1] + 720) % 1440 - 720
        tolerance = self._tolerance(tank)
        # seen to come on at its time, it may go out at once; else its first minutes may be the sun's
        since_lit = (edge.time_ms - presence.lit_since) / MINUTE_MS if presence.lit_since >= 0 else DAY_MIN
        lit_late = (minute - since_lit - schedule[0] + 720) % 1440 - 720 - self.drift.shift
        came_on = since_lit < DAY_MIN / 2 and abs(lit_late) <= tolerance
        margin = 0.0 if came_on else tolerance
        if edge.sign < 0 and error < -tolerance and _inside(minute, schedule, margin):
            level = self.tracker.level() or 0.0
            if self.tracker.values[-1] > 0.7 * level:
                self.tracker.lit = True  # the sun went, the lamp is still there
                return
            # out before its time: a drift if it also came on that early, else it has gone out
            early = self.drift.last_on_error
            half = ((schedule[1] - schedule[0]) % 1440) / 2
            as_early = [early] if early is not None else []
            if since_lit < DAY_MIN / 2:
                as_early.append(lit_late + self.drift.shift)
            if all(abs(one - error) > 15 for one in as_early) or -error > half:
                presence.out_since = edge.time_ms
            else:
                presence.left_ms = edge.time_ms
        else:
            presence.out_since = -1
        if abs(error) > FARTHEST_DRIFT_MIN:
            return
        if abs(error) <= tolerance:
            self.tracker.learn_edge(edge)
        ramp = self.tracker.ramp_min(self._ramp_setting(tank))
        due_on_ms = edge.time_ms - int(error * MINUTE_MS) if edge.sign > 0 else -1
        self.drift.take(edge, error, self.tracker, ramp, due_on_ms)

    def _came_on(self, edge: Edge, minute: float, schedule: tuple[float, float] | None) -> bool:
        """Whether it only came back, after a shadow, work at the tank or a power cut."""
        presence = self.presence
        presence.lit_since = edge.time_ms
        level = self.tracker.level() or edge.size
        presence.lit_sharply = edge.quarter_min < 1.5 and 0.7 < edge.size / level < 1.4
        if presence.out_since < 0:
            return False
        out_ms = edge.time_ms - presence.out_since
        presence.out_total_ms = out_ms
        if out_ms > CUT_MIN * MINUTE_MS:
            self.cut_ms = edge.time_ms
        presence.out_since = -1
        if not presence.missing and out_ms < OUT_MIN * MINUTE_MS:
            return True
        return schedule is not None and _inside(minute, schedule, 0)

    # -- minute by minute ---------------------------------------------------------------------------

    def _watch(self, tank: Tank, moment: Moment, lux: float, schedule: tuple[float, float]) -> None:
        now = moment.frame.start_ms
        tracker = self.tracker
        on, off = schedule
        length = (off - on) % 1440
        since_on = (moment.minute - on) % 1440
        moment.lamp.should_be_on = since_on < length
        ramp = tracker.ramp_min(self._ramp_setting(tank))
        tolerance = self._tolerance(tank)
        clock_age = now - self.clock_changed_ms if self.clock_changed_ms >= 0 else None
        changed = clock_age is not None and clock_age < CLOCK_DAYS * DAY_MS and not self._followed()
        hour_off = changed or not self.drift.fitted  # or the settings may be, see lamp_times
        due = Due(
            since_on=since_on,
            past_off=(moment.minute - off) % 1440,
            to_on=(on - moment.minute) % 1440,
            length=length,
            ramp=ramp,
            tolerance=tolerance,
            late=self.drift.shift,
            patience=max(HOUR_OFF_MIN if hour_off else PATIENCE_MIN, tolerance + ramp + 15),
            hour_off=hour_off,
        )
        if moment.fifth:
            margin = due.margin
            if margin < since_on < length - margin and (tracker.lit or tracker.level() is None):
                # a photoperiod that goes past midnight is the evening's
                tracker.learn_plateau(moment.day - (moment.minute < on), lux)
            elif since_on >= length + margin and tracker.today:
                tracker.learn_plateau(moment.day, None)
                self.dimming.judge(tracker.plateaus, tracker.plateau_days)
        if self.drift.waiting is not None:
            self.drift.watch(now, lux, tracker, tolerance, self._known_cause(now, clock_age))
        if since_on < length:
            moment.lamp.due_ms = now - int((since_on - due.late - 0.5 * ramp) * MINUTE_MS)
        self.presence.watch(moment, lux, tracker, due)
        if "power-interrupted" in moment.active and (since_on >= length or tracker.lit):
            self.presence.missing = False  # why it was missed is known; it is back, or none is due

    def _followed(self) -> bool:
        """Whether the lamp was seen to switch on time since the clocks changed."""
        days = self.drift.error_days
        return not self.drift.standing and bool(days) and days[-1] * DAY_MS > self.clock_changed_ms

    def _known_cause(self, now: int, clock_age: int | None) -> bool:
        """Whether there is a reason for one clear switching at the wrong time to be believed at once."""
        waiting = self.drift.waiting
        if waiting is None:
            return False
        if clock_age is not None and clock_age < CAUSE_MS and abs(waiting.error - self.clock_step_min) < 12:
            return True
        # out early on a day on which it came on as always: it has gone out, the timer is right
        gone = waiting.sign < 0 and waiting.error < 0
        return not gone and self.cut_ms >= 0 and now - self.cut_ms < CUT_MS

    # -- what stands --------------------------------------------------------------------------------

    def _findings(self, moment: Moment, schedule: tuple[float, float] | None) -> list[Finding]:
        presence = self.presence
        if not (self.drift.standing or presence.missing or presence.stuck or self.dimming.standing):
            return []
        times = "no schedule known"
        if schedule is not None:
            on, off = (int(v) for v in schedule)
            times = f"schedule {on // 60:02d}:{on % 60:02d} to {off // 60:02d}:{off % 60:02d}"
        level = self.tracker.level()
        lux = moment.frame.light
        value = None if lux is None else round(lux)
        seen = f"{lux:.0f} lx" if lux is not None else "no reading"
        usual = (
            f"the lamp usually gives {level:.0f} lx" if level is not None else "the lamp was never seen lit"
        )
        out = self.drift.findings(moment, times, self.clock_changed_ms, presence.out_total_ms > 0)
        if presence.missing:
            out.append(
                Finding(
                    alarm="light-missing",
                    priority="medium",
                    value=value,
                    unit="lx",
                    cause="the lamp, its driver, its plug or its timer has failed",
                    observations=[f"{seen} when it should be lit", usual, times],
                )
            )
        if presence.stuck:
            daylight = presence.daylight.at(moment.minute)
            dark = [] if daylight is None else [f"without it this hour has had {daylight:.0f} lx at most"]
            out.append(
                Finding(
                    alarm="light-stuck-on",
                    priority="medium",
                    value=value,
                    unit="lx",
                    cause="the timer has stuck, was overridden by hand, or its contacts have welded",
                    observations=[f"{seen} when it should be dark, {times}", usual, *dark],
                )
            )
        return out + self.dimming.findings()


def _habit(minutes: list[float]) -> float | None:
    """The time at which most of the edges came, two of them at least; None where there is none yet."""
    best: list[float] = []
    for one in minutes:
        near = [other for other in minutes if abs(other - one) <= HABIT_MIN]
        best = near if len(near) > len(best) else best
    return median(best) if len(best) >= max(2.0, 0.4 * len(minutes)) else None


def _inside(minute: float, schedule: tuple[float, float], margin: float) -> bool:
    """Within the photoperiod, `margin` minutes from its ends."""
    on, off = schedule
    return margin < (minute - on) % 1440 < (off - on) % 1440 - margin
