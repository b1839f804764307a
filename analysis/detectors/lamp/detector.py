"""Light: the lamp's times against its schedule, a lamp that is missing, stuck on or growing dim."""

from __future__ import annotations

from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.lamp.dimming import LampDimming
from rushlight.analysis.detectors.lamp.drift import LampDrift
from rushlight.analysis.detectors.lamp.drift_numbers import DRIFT
from rushlight.analysis.detectors.lamp.hours import LampHours
from rushlight.analysis.detectors.lamp.numbers import MISSING, STUCK, TIMER, TRACKER
from rushlight.analysis.detectors.lamp.presence import LampPresence
from rushlight.analysis.detectors.lamp.schedule import (
    DAY_MIN,
    Due,
    Period,
    Schedule,
    hours_text,
    is_weekend,
    nearest_period,
    period_at,
)
from rushlight.analysis.detectors.lamp.timer_clock import TimerClock
from rushlight.analysis.detectors.lamp.tracker import Edge, LampTracker
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["LampDetector"]

_NOTHING: list[Finding] = []


class LampDetector(msgspec.Struct):
    """State of the light family of one tank.

    Light that stays as it is, while nothing is amiss or waited for, is looked at every five minutes.

    Attributes
    ----------
    waiting : list of float
        The light of the minutes since the last look, lx.
    low_lx, high_lx : float
        Light between these is as it was at the last look. Nothing is, where the next minute matters.
    until_ms : int
        When the schedule's next switching is due (ms UTC).
    due_ms, should_be_on
        What `LampFacts` has of them since the last look.
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
    hours: LampHours = msgspec.field(default_factory=LampHours)
    clock: TimerClock = msgspec.field(default_factory=TimerClock)
    waiting: list[float] = msgspec.field(default_factory=list)
    low_lx: float = 0.0
    high_lx: float = -1.0
    until_ms: int = -1
    due_ms: int = -1
    should_be_on: bool | None = None

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that hold after it. O(1)."""
        lux = None if "light" in moment.probes.faulty else moment.frame.light
        calm = lux is not None and self._goes_on(moment, lux)
        if calm and lux is not None and not moment.fifth:
            self.waiting.append(lux)
            facts = moment.lamp
            facts.on, facts.level_lx = self.tracker.lit, self.tracker.level()
            facts.should_be_on, facts.due_ms = self.should_be_on, self.due_ms
            return _NOTHING
        return self._look(tank, moment, lux, calm)

    def _goes_on(self, moment: Moment, lux: float) -> bool:
        """Whether the light is as it was at the last look, with no minute missing and no switching due."""
        now = moment.frame.start_ms
        return (
            self.low_lx <= lux <= self.high_lx
            and now < self.until_ms
            and now - self.tracker.raw_ms[-1] == (len(self.waiting) + 1) * MINUTE_MS
            and list(moment.doubts_before.lamp_hours) == self.hours.own
        )

    def _look(self, tank: Tank, moment: Moment, lux: float | None, calm: bool) -> list[Finding]:
        """Judge this frame and those that have waited for it; `calm`: it is like them."""
        frame = moment.frame
        now = frame.start_ms
        waited, self.waiting = self.waiting, []
        self.hours.own = list(moment.doubts_before.lamp_hours)
        self.clock.watch(tank, now)
        schedule = self.hours.schedule(tank)
        if self.hours.changed(schedule):
            self.drift = LampDrift()
            self.presence.anew()
        if waited and not calm:
            newest_ms = self.tracker.raw_ms[-1] + len(waited) * MINUTE_MS
            self._see(tank, moment, newest_ms, waited, schedule)
            waited = []
        if lux is not None:
            self.tracker.hear(moment.sensor("light"), tank.settings.report_every_s)
            self._see(tank, moment, now, [*waited, lux], schedule)
        elif frame.light is None:
            self.presence.missing.gap()
        self._facts(moment, lux, schedule)
        return self._findings(moment, schedule)

    def _see(
        self, tank: Tank, moment: Moment, newest_ms: int, values: list[float], schedule: Schedule | None
    ) -> None:
        """The light of minutes on end, as one; the newest at `newest_ms`."""
        lux = values[-1]
        edge = self.tracker.add(newest_ms, lux, _ramp_set(tank), values[:-1])
        if edge is not None:
            moment.lamp.edge, moment.lamp.edge_ms = edge.sign, edge.time_ms
            self._edge(tank, edge, schedule)
        if schedule is not None:
            self._watch(tank, moment, newest_ms, lux, schedule)
            return
        self.until_ms = newest_ms + DAY_MS
        if moment.fifth and newest_ms == moment.frame.start_ms:
            self.tracker.learn_blind(moment.day, lux)

    def _facts(self, moment: Moment, lux: float | None, schedule: Schedule | None) -> None:
        """What the others are told; and whether the next minutes may wait."""
        facts, tracker = moment.lamp, self.tracker
        facts.on, facts.level_lx = tracker.lit, tracker.level()
        facts.out_since_ms = self.presence.missing.out_since
        absent = facts.absent
        if not self.drift.fitted:  # hours at which it was never seen to switch prove no power cut
            facts.absent, facts.out_since_ms = False, -1
        self.due_ms, self.should_be_on = facts.due_ms, facts.should_be_on
        amiss = (
            absent
            or tracker.lit is not (tracker.lit if schedule is None else facts.should_be_on)
            or self.presence.missing.out_since >= 0
            or self.drift.waiting is not None
            or self.drift.standing
            or self.presence.found
            or self.dimming.standing
        )
        self.low_lx, self.high_lx = 0.0, -1.0
        if lux is None or amiss:
            return
        stirs = TRACKER.stirs_share * (facts.level_lx or 0.0)
        if max(tracker.raw) - min(tracker.raw) <= stirs:  # an edge shows a minute late
            self.low_lx, self.high_lx = lux - stirs, lux + stirs

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

    def _tolerance(self, tank: Tank) -> float:
        """How far off the timer may be, minutes: a ramp blurs its own beginning."""
        return self._tolerance_at(tank, self.tracker.ramp_min(_ramp_set(tank)))

    def _tolerance_at(self, tank: Tank, ramp: float) -> float:
        """The same where the ramp's length is at hand, minutes."""
        light = tank.settings.light
        tolerance = TIMER.tolerance_min if light is None else light.tolerance_min
        tolerance += TIMER.spacing_share * (self.tracker.every_min - 1)
        if light is not None and light.ramp_min is not None:
            return tolerance + TIMER.set_ramp_share * ramp
        if not self.tracker.knows_ramp:
            return tolerance
        return tolerance + TIMER.seen_ramp_share * min(ramp, TRACKER.longest_ramp_min)

    # -- switchings ---------------------------------------------------------------------------------

    def _edge(self, tank: Tank, edge: Edge, schedule: Schedule | None) -> None:
        day, minute = tank.clock.local(edge.time_ms)
        within = None if schedule is None else period_at(schedule, day, minute)[0]
        if edge.sign > 0 and self._came_on(edge, minute, within):
            return
        if self.hours.by_habit(tank) and self.tracker.clear(edge):
            self.hours.learn(edge.sign, day, minute)
        if schedule is None:
            self.tracker.learn_edge(edge)
            return
        period = self._period(edge, day, minute, schedule)
        error = minute - (period.on if edge.sign > 0 else period.off)
        tolerance = self._tolerance(tank)
        early = edge.sign < 0 and error < -tolerance
        if early and period.inside(minute, self._lit_margin(edge, minute, period, tolerance)):
            if self.tracker.values[-1] > TRACKER.lit_share * (self.tracker.level() or 0.0):
                self.tracker.lit = True  # the sun went, the lamp is still there
                return
            self._went_out(edge, minute, period, error)
        else:
            self.presence.missing.out_since = -1
        if abs(error) > DRIFT.farthest_min:
            return
        if abs(error) <= tolerance:
            self.tracker.learn_edge(edge)
        ramp = self.tracker.ramp_min(_ramp_set(tank))
        due_on_ms = edge.time_ms - int(error * MINUTE_MS) if edge.sign > 0 else -1
        self.drift.take(edge, error, self.tracker, ramp, due_on_ms)

    def _period(self, edge: Edge, day: int, minute: float, schedule: Schedule) -> Period:
        """Which period's switching it is: it goes out in the one in which it came on, if that was seen."""
        if edge.sign < 0:
            since_lit = self._since_lit(edge)
            if since_lit < DAY_MIN / 2:
                return nearest_period(schedule, day, minute - since_lit, 1)
            now = period_at(schedule, day, minute)[0]
            if now.inside(minute, 0):
                return now
        return nearest_period(schedule, day, minute, edge.sign)

    def _came_on(self, edge: Edge, minute: float, period: Period | None) -> bool:
        """Whether it only came back, after a shadow, work at the tank or a power cut."""
        missing, stuck = self.presence.missing, self.presence.stuck
        stuck.came_on(edge, self.tracker.level())
        if missing.out_since < 0:
            return False
        out_ms = edge.time_ms - missing.out_since
        stuck.out_total_ms = out_ms
        self.clock.came_back(edge.time_ms, out_ms)
        missing.out_since = -1
        if not missing.found and out_ms < MISSING.out_min * MINUTE_MS:
            return True
        return period is not None and period.inside(minute, 0)

    def _since_lit(self, edge: Edge) -> float:
        """How long it was lit, minutes, when it went out; a day where that is not known."""
        lit_since = self.presence.stuck.lit_since
        return (edge.time_ms - lit_since) / MINUTE_MS if lit_since >= 0 else DAY_MIN

    def _lit_late(self, since_lit: float, minute: float, period: Period) -> float:
        """How late it came on by what is known of its timer, minutes."""
        return minute - since_lit - period.on - self.drift.shift

    def _lit_margin(self, edge: Edge, minute: float, period: Period, tolerance: float) -> float:
        """Seen to come on at its time, it may go out at once; else its first minutes may be the sun's."""
        since_lit = self._since_lit(edge)
        on_time = abs(self._lit_late(since_lit, minute, period)) <= tolerance
        return 0.0 if since_lit < DAY_MIN / 2 and on_time else tolerance

    def _went_out(self, edge: Edge, minute: float, period: Period, error: float) -> None:
        """Out before its time: its timer is off if it also came on that early, else it has gone out."""
        missing, last = self.presence.missing, self.drift.last_on_error
        as_early = [] if last is None else [last]
        since_lit = self._since_lit(edge)
        if since_lit < DAY_MIN / 2:
            as_early.append(self._lit_late(since_lit, minute, period) + self.drift.shift)
        if all(abs(one - error) > TIMER.early_min for one in as_early) or -error > period.length / 2:
            missing.out_since = edge.time_ms
        else:
            missing.left_ms = edge.time_ms

    # -- minute by minute ---------------------------------------------------------------------------

    def _watch(self, tank: Tank, moment: Moment, now: int, lux: float, schedule: Schedule) -> None:
        tracker = self.tracker
        period, next_on = period_at(schedule, moment.day, moment.minute)
        due = self._due(tank, moment, period, next_on)
        lit = due.lit
        moment.lamp.should_be_on = lit
        self.until_ms = moment.frame.start_ms + int((-due.past_off if lit else due.to_on) * MINUTE_MS)
        if moment.fifth and now == moment.frame.start_ms:
            self._learn_level(moment, lux, due, period)
        if self.drift.waiting is not None:
            self.drift.watch(now, lux, tracker, due.tolerance, self.clock.explains(now, self.drift))
        if lit:
            moment.lamp.due_ms = now - int((due.since_on - due.late - due.ramp / 2) * MINUTE_MS)
        self.presence.watch(moment, now, lux, tracker, due)
        if "power-interrupted" in moment.active and (not lit or tracker.lit):
            self.presence.missing.found = False  # why it was missed is known; it is back, or none is due

    def _due(self, tank: Tank, moment: Moment, period: Period, next_on: float) -> Due:
        ramp = self.tracker.ramp_min(_ramp_set(tank))
        tolerance = self._tolerance_at(tank, ramp)
        hour_off = self.clock.hour_off(moment.frame.start_ms, self.drift)
        patience = TIMER.patience_hour_off_min if hour_off else TIMER.patience_min
        least = tolerance + ramp + MISSING.extra_min
        light = tank.settings.light
        night = light is not None and light.night_light
        return Due(
            since_on=moment.minute - period.on,
            past_off=moment.minute - period.off,
            to_on=next_on - moment.minute,
            length=period.length,
            ramp=ramp,
            tolerance=tolerance,
            pause=period.pause,
            late=self.drift.shift,
            patience=max(min(patience, MISSING.patience_share * period.length), least),
            patience_after=patience,
            dark_share=STUCK.night_share if night else STUCK.glow_share,
        )

    def _learn_level(self, moment: Moment, lux: float, due: Due, period: Period) -> None:
        """A five-minute value of a period's middle; at the end of the day's last, whether the lamp dims."""
        tracker, margin = self.tracker, due.margin
        if margin < due.since_on < due.length - margin and (tracker.lit or tracker.level() is None):
            # a period that goes past midnight is the evening's
            tracker.learn_plateau(moment.day + period.day, lux)
        elif due.over and period.last and tracker.today:
            tracker.learn_plateau(moment.day, None, due.length - 2 * margin)
            self.dimming.judge(tracker.plateaus, tracker.plateau_days)

    # -- what is found ------------------------------------------------------------------------------

    def _findings(self, moment: Moment, schedule: Schedule | None) -> list[Finding]:
        if not (self.drift.standing or self.presence.found or self.dimming.standing):
            return _NOTHING
        times = "no schedule known"
        if schedule is not None:
            times = f"schedule {hours_text(schedule[is_weekend(moment.day)])}"
        stood_still = self.presence.stuck.out_total_ms > 0
        return [
            *self.drift.findings(moment, times, self.clock.changed_ms, stood_still),
            *self.presence.findings(moment, self.tracker.level(), times),
            *self.dimming.findings(),
        ]


def _ramp_set(tank: Tank) -> float | None:
    light = tank.settings.light
    return light.ramp_min if light is not None else None
