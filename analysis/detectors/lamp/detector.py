"""Light: the lamp's times against its schedule, a lamp that is missing, stuck on or growing dim."""

from __future__ import annotations

from typing import ClassVar

import msgspec
from msgspec.structs import replace

from rushlight.analysis.detectors.lamp.calm_light import WaitingLight
from rushlight.analysis.detectors.lamp.dimming import LampDimming
from rushlight.analysis.detectors.lamp.drift import LampDrift
from rushlight.analysis.detectors.lamp.drift_numbers import DRIFT
from rushlight.analysis.detectors.lamp.due import due_now, ramp_set, tolerance_min
from rushlight.analysis.detectors.lamp.edge import Edge
from rushlight.analysis.detectors.lamp.hours import LampHours
from rushlight.analysis.detectors.lamp.numbers import MISSING, TIMER, TRACKER
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
from rushlight.analysis.detectors.lamp.timer_clock import TimerClock, error_min
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import LampFacts, Moment, Tank
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["LampDetector"]

_NOTHING: list[Finding] = []


class LampDetector(msgspec.Struct):
    """State of the light family of one tank.

    Light that stays as it is, while nothing is amiss or waited for, is looked at every five minutes.
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
    waiting: WaitingLight = msgspec.field(default_factory=WaitingLight)

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that hold after it. O(1)."""
        lux = None if "light" in moment.probes.faulty else moment.frame.light
        waiting = self.waiting
        calm = lux is not None and waiting.goes_on(moment, lux, self.tracker, self.hours.own)
        if calm and lux is not None and not moment.fifth:
            waiting.values.append(lux)
            facts = moment.lamp
            facts.on, facts.level_lx = self.tracker.lit, self.tracker.level()
            facts.should_be_on, facts.due_ms = waiting.should_be_on, waiting.due_ms
            return _NOTHING
        return self._look(tank, moment, lux, calm)

    def _look(self, tank: Tank, moment: Moment, lux: float | None, calm: bool) -> list[Finding]:
        """Judge this frame and those that have waited for it; `calm`: it is like them."""
        frame = moment.frame
        now = frame.start_ms
        waited, self.waiting.values = self.waiting.values, []
        self.hours.own = list(moment.doubts_before.lamp_hours)
        self.clock.watch(tank, now)
        schedule = self.hours.schedule(tank)
        if self.hours.changed(schedule):
            self.drift = LampDrift()
            self.presence.anew()
        judged = schedule if self.hours.judges(tank, moment.day) else None
        if waited and not calm:
            then = self._then(tank, moment, len(waited))
            self._see(tank, then, then.frame.start_ms, waited, schedule, judged)
            moment.lamp.edge, moment.lamp.edge_ms = then.lamp.edge, then.lamp.edge_ms
            waited = []
        if lux is not None:
            self.tracker.hear(moment.sensor("light"), tank.settings.report_every_s)
            self._see(tank, moment, now, [*waited, lux], schedule, judged)
        elif frame.light is None:
            self.presence.missing.gap()
        self._facts(moment, lux, judged)
        return self._findings(moment, schedule)

    def _then(self, tank: Tank, moment: Moment, waited: int) -> Moment:
        """The minute of the newest light that has waited: it may lie days before this frame."""
        newest_ms = self.tracker.raw_ms[-1] + waited * MINUTE_MS
        day, minute = tank.clock.local(newest_ms)
        frame = replace(moment.frame, start_ms=newest_ms)
        return replace(moment, frame=frame, day=day, minute=minute, fifth=False, lamp=LampFacts())

    def _see(
        self,
        tank: Tank,
        moment: Moment,
        newest_ms: int,
        values: list[float],
        schedule: Schedule | None,
        judged: Schedule | None,
    ) -> None:
        """The light of minutes on end, as one; the newest at `newest_ms`. `judged`: by what, on this day."""
        lux = values[-1]
        edge = self.tracker.add(newest_ms, lux, ramp_set(tank), values[:-1])
        if edge is not None:
            self._edge(tank, edge, judged)
            if edge.sign > 0 or not self.tracker.lit:  # else it was the sun that went
                moment.lamp.edge, moment.lamp.edge_ms = edge.sign, edge.time_ms
                moment.lamp.clear = self.tracker.clear(edge)
        if judged is not None:
            if not self.clock.repeats(newest_ms):
                self._watch(tank, moment, newest_ms, lux, judged)
            return
        self.waiting.until_ms = newest_ms + DAY_MS
        if not moment.fifth:
            return
        if schedule is not None:
            periods = period_at(schedule, moment.day, moment.minute)
            due = due_now(tank, moment, periods, self.tracker, self.clock, self.drift)
            self._learn_level(moment, lux, due, periods[0])
        elif self.tracker.learn_blind(moment.day, lux):
            self.dimming.judge(self.tracker.plateaus, self.tracker.plateau_days)

    def _facts(self, moment: Moment, lux: float | None, schedule: Schedule | None) -> None:
        """What the others are told; and whether the next minutes may wait."""
        facts, tracker = moment.lamp, self.tracker
        facts.on, facts.level_lx = tracker.lit, tracker.level()
        facts.out_since_ms = self.presence.missing.out_since
        absent = facts.absent
        if self.drift.contradicted:  # hours at which it was seen not to switch prove no power cut
            facts.absent, facts.out_since_ms = False, -1
        amiss = (
            absent
            or (schedule is not None and tracker.lit is not facts.should_be_on)
            or self.presence.missing.out_since >= 0
            or self.drift.waiting is not None
            or self.drift.standing
            or self.presence.found
            or self.dimming.standing
        )
        self.waiting.looked(facts, None if amiss else lux, tracker)

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
        error = error_min(tank.clock, edge.time_ms, minute, period.on if edge.sign > 0 else period.off)
        tolerance = tolerance_min(tank, self.tracker)
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
        due_on_ms = edge.time_ms - int(error * MINUTE_MS) if edge.sign > 0 else -1
        self.drift.take(edge, error, self.tracker, self.tracker.ramp_min(ramp_set(tank)), due_on_ms)

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
        periods = period_at(schedule, moment.day, moment.minute)
        due = due_now(tank, moment, periods, tracker, self.clock, self.drift)
        lit = due.lit
        moment.lamp.should_be_on = lit
        self.waiting.until_ms = moment.frame.start_ms + int((-due.past_off if lit else due.to_on) * MINUTE_MS)
        if moment.fifth:
            self._learn_level(moment, lux, due, periods[0])
        if self.drift.waiting is not None:
            self.drift.watch(now, lux, tracker, due.tolerance, self.clock.explains(now, self.drift))
        if lit:
            moment.lamp.due_ms = now - int((due.since_on - due.late - due.ramp / 2) * MINUTE_MS)
        self.presence.watch(moment, now, lux, tracker, due)
        if "power-interrupted" in moment.active and (not lit or tracker.lit):
            self.presence.missing.found = False  # why it was missed is known; it is back, or none is due

    def _learn_level(self, moment: Moment, lux: float, due: Due, period: Period) -> None:
        """A five-minute value of a period's middle; at the end of the day's last, whether the lamp dims."""
        tracker = self.tracker
        if due.lit:
            margin = due.margin
            if margin < due.since_on < due.length - margin and (tracker.lit or tracker.level() is None):
                tracker.learn_plateau(moment.day + period.day, lux)  # past midnight it is the evening's
        elif tracker.today and period.last and due.over:
            tracker.learn_plateau(moment.day, None, due.length - 2 * due.margin)
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
