"""The lamp's switchings against its schedule: which of them were the lamp's, and whether its timer is off.

Sunlight and clouds make rises and falls too. What tells the lamp's: it goes from dark to a light that stands
still (or back), it doesn't go out again before its time, and it comes at the same wrong time again.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.tracker import Edge, LampTracker
from rushlight.analysis.detectors.moment import Moment, minutes_text
from rushlight.analysis.estimators.robust import median, theil_sen
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["FARTHEST_DRIFT_MIN", "LampDrift", "Sighting"]

FARTHEST_DRIFT_MIN = 240.0
LOOK_MIN = 15  # so long must it be dark on the one side and steady on the other
STEADY_SHARE = 0.12
DARK_SHARE = 0.25
AGREE_MIN = 12.0
ENOUGH = 3  # points of sightings that agree: a clear one has two, one of the lamp's size and pace has one
KEPT_MS = 2.5 * DAY_MS
CAUSE_MS = 4 * DAY_MS
ALIKE_MIN = 20.0
NEVER_FITTED_MS = 4 * DAY_MS


class Sighting(msgspec.Struct):
    """One switching that may be the lamp's.

    Attributes
    ----------
    sign : int
        +1 came on, −1 went out.
    time_ms, error : int, float
        When, and how many minutes late by the schedule.
    points : int
        2 clear (dark on one side, steady light on the other), 1 of the lamp's size and pace, else 0.
    sized : bool
        Of the lamp's size and pace.
    after_ms, until_ms : int
        When the light after it is looked at, and when it is judged.
    looked : bool
        Whether it was.
    """

    sign: int
    time_ms: int
    error: float
    points: int
    sized: bool
    after_ms: int
    until_ms: int
    looked: bool = False


class LampDrift(msgspec.Struct):
    """State of the judgement of the timer. `shift` is how late it is in minutes, while `standing`."""

    standing: bool = False
    shift: float = 0.0
    errors: list[float] = msgspec.field(default_factory=list)
    error_days: list[float] = msgspec.field(default_factory=list)
    waiting: Sighting | None = None
    doubts: list[Sighting] = msgspec.field(default_factory=list)
    on_time: list[int] = msgspec.field(default_factory=lambda: [-1, -1])
    last_on_error: float | None = None
    fitted: bool = False
    first_ms: int = -1

    def take(self, edge: Edge, error: float, tracker: LampTracker, ramp: float, quiet_until_ms: int) -> None:
        """An edge near its time. It is judged when what follows it has been seen.

        `quiet_until_ms` is when the lamp should have come on: one that comes on early stays on till then.
        """
        level = tracker.level() or edge.size
        shape = abs(edge.quarter_min - ramp / 4) < max(3.0, ramp / 8)
        sized = shape and 0.75 < edge.size / level < 1.3
        span = LOOK_MIN * MINUTE_MS
        ramp_ms = int(ramp * MINUTE_MS)
        if edge.sign > 0:
            clear = tracker.highest(edge.time_ms - span, edge.time_ms - MINUTE_MS) < DARK_SHARE * level
            after_ms = edge.time_ms + ramp_ms + 2 * MINUTE_MS
        else:
            end = edge.time_ms - ramp_ms - 2 * MINUTE_MS
            clear = tracker.steady(end - span, end, STEADY_SHARE)
            after_ms = edge.time_ms + 2 * MINUTE_MS
        until_ms = max(after_ms + span, quiet_until_ms if edge.sign > 0 else 0)
        # an edge that takes the last one back within minutes is waited out in its place
        self.waiting = Sighting(
            edge.sign, edge.time_ms, error, 2 if clear else int(sized), sized, after_ms, until_ms
        )

    def watch(self, now_ms: int, lux: float, tracker: LampTracker, tolerance: float, cause: bool) -> None:
        """One frame after `take`; `cause` is whether a timer that is off would be no surprise."""
        one = self.waiting
        level = tracker.level()
        if one is None or level is None or now_ms < one.after_ms:
            return
        if one.sign > 0 and lux < 0.7 * level:
            self.waiting = None  # light that goes again before the lamp's time is the sun's
            return
        seen_ms = one.after_ms + LOOK_MIN * MINUTE_MS
        if not one.looked and now_ms >= seen_ms + MINUTE_MS:
            one.looked = True
            if one.points == 2:
                if one.sign > 0:
                    still = tracker.steady(one.after_ms, seen_ms, STEADY_SHARE)
                else:
                    still = tracker.highest(one.after_ms, seen_ms) < DARK_SHARE * level
                one.points = 2 if still else int(one.sized)
        if one.looked and now_ms >= one.until_ms:
            self.waiting = None
            self._judge(one, tolerance, cause)

    def _judge(self, one: Sighting, tolerance: float, cause: bool) -> None:
        error = one.error
        if self.first_ms < 0:
            self.first_ms = one.time_ms
        if abs(error) <= tolerance:
            self.fitted = True
            self.doubts = [d for d in self.doubts if d.sign != one.sign and (d.points == 2 or one.points < 2)]
            self._accept(one, tolerance)
            return
        if not one.points:
            return
        alike = [
            d for d in self.doubts if one.time_ms - d.time_ms < KEPT_MS and abs(d.error - error) < AGREE_MIN
        ]
        points = one.points + sum(d.points for d in alike)
        if self.standing and abs(error - self.shift) < ALIKE_MIN:
            points = ENOUGH
        # hours that never fitted are a doubtful setting's, see lamp_times, which is told after three days
        known = self.fitted or one.time_ms - self.first_ms > NEVER_FITTED_MS
        if known and points >= (2 if cause else ENOUGH):
            self.doubts.clear()
            for sighting in [*alike, one] if not self.standing else [one]:
                self._accept(sighting, tolerance)
            return
        self.doubts.append(one)
        del self.doubts[:-6]

    def _accept(self, one: Sighting, tolerance: float) -> None:
        if one.sign > 0:
            self.last_on_error = one.error
        self.errors.append(one.error)
        self.error_days.append(one.time_ms / DAY_MS)
        del self.errors[:-28]
        del self.error_days[:-28]
        error = one.error
        recent_days = [d for d in self.error_days if d > self.error_days[-1] - 10]
        recent = self.errors[-len(recent_days) :]
        fitted = error
        if len(recent) >= 6:
            slope = theil_sen(recent_days, recent)
            middle = median([e - slope * d for d, e in zip(recent_days, recent, strict=True)])
            fitted = middle + slope * recent_days[-1]
            off = median([abs(e - middle - slope * d) for d, e in zip(recent_days, recent, strict=True)])
            if off > 3 or abs(fitted - error) > 8:
                fitted = error  # a jump, not a drift
        measure = fitted if abs(fitted) > abs(error) else error
        if abs(error) > tolerance + 1 or abs(fitted) > tolerance + 1.5:
            self.standing, self.shift = True, measure
            self.on_time = [-1, -1]
        elif self.standing:
            self._on_time(one, measure, tolerance)

    def _on_time(self, one: Sighting, measure: float, tolerance: float) -> None:
        """Over when both switchings of a day were on time, or one of them on two days."""
        if abs(one.error) >= tolerance - 1:
            self.shift = measure
            return
        index = 0 if one.sign > 0 else 1
        seen = [at for at in self.on_time if at >= 0]
        self.on_time[index] = one.time_ms
        if seen:
            self.standing, self.shift = False, 0.0

    def findings(self, moment: Moment, times: str, clock_changed_ms: int, stood_still: bool) -> list[Finding]:
        """What stands; `times` is the schedule in words."""
        if not self.standing:
            return []
        cause = "the timer runs slow or fast, or has lost its time"
        if (
            abs(abs(self.shift) - 60) < AGREE_MIN
            and clock_changed_ms >= 0
            and moment.frame.start_ms - clock_changed_ms < CAUSE_MS
        ):
            cause = "the clocks have changed for daylight saving and the timer has not followed"
        elif stood_still:
            cause = "the timer stood still during a power cut"
        return [
            Finding(
                alarm="light-schedule-drift",
                priority="medium" if abs(self.shift) > 60 else "low",
                value=round(self.shift, 1),
                unit="min",
                cause=cause,
                observations=[
                    f"the lamp switches {minutes_text(abs(self.shift) * 60)} "
                    f"{'late' if self.shift > 0 else 'early'}",
                    times,
                    "last switchings against the schedule, in minutes: "
                    + ", ".join(f"{e:+.0f}" for e in self.errors[-4:]),
                ],
            )
        ]
