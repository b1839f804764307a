"""The lamp's switchings against its schedule: which of them were the lamp's, and whether its timer is off.

Sunlight and clouds make rises and falls too. The lamp's are known by this: it goes from dark to a light that
stays as it is (or back), it doesn't go out again before its time, and it comes at the same wrong time again.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from rushlight.analysis.detectors.lamp.drift_numbers import DRIFT
from rushlight.analysis.detectors.lamp.edge import Edge
from rushlight.analysis.detectors.lamp.numbers import TRACKER
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import Moment, minutes_text
from rushlight.analysis.estimators.mann_kendall import mann_kendall
from rushlight.analysis.estimators.robust import median, theil_sen
from rushlight.analysis.estimators.units import DAY_MS, HOUR_MS, MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["LampDrift", "Sighting"]


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


class Course(NamedTuple):
    """Of the timer's errors: minutes a day, where it is now, days seen, median distance from it, errors.

    `alike`: coming on and going out have the same course.
    """

    pace: float
    now: float
    span: float
    scatter: float
    errors: list[float]
    alike: bool


class LampDrift(msgspec.Struct):
    """State of the judgement of the timer. `shift` is how late it is in minutes, while `standing`.

    `pace` is by how many minutes a day it slips, 0 where it doesn't, as far as can be seen.
    """

    standing: bool = False
    shift: float = 0.0
    pace: float = 0.0
    errors: list[float] = msgspec.field(default_factory=list)
    error_days: list[float] = msgspec.field(default_factory=list)
    error_signs: list[int] = msgspec.field(default_factory=list)
    waiting: Sighting | None = None
    doubts: list[Sighting] = msgspec.field(default_factory=list)
    on_time: list[int] = msgspec.field(default_factory=lambda: [-1, -1])
    last_on_error: float | None = None
    fitted: bool = False
    first_ms: int = -1

    @property
    def contradicted(self) -> bool:
        """Whether it has switched, and never at these hours; unseen yet they are the keeper's own word."""
        return not self.fitted and self.first_ms >= 0

    def take(self, edge: Edge, error: float, tracker: LampTracker, ramp: float, quiet_until_ms: int) -> None:
        """An edge near its time. It is judged when what follows it has been seen.

        `quiet_until_ms` is when the lamp should have come on: one that comes on early stays on till then.
        """
        level = tracker.level() or edge.size
        quarter = ramp * (TRACKER.late_share - TRACKER.early_share)
        shape = abs(edge.quarter_min - quarter) < max(DRIFT.pace_min, DRIFT.pace_share * ramp)
        sized = shape and DRIFT.size_low_share < edge.size / level < DRIFT.size_high_share
        span = int(DRIFT.look_min * MINUTE_MS)
        settled_ms = int(ramp * MINUTE_MS) + int(DRIFT.settle_min * MINUTE_MS)
        if edge.sign > 0:
            before = tracker.highest(edge.time_ms - span, edge.time_ms - MINUTE_MS)
            clear = before < DRIFT.dark_share * level
            after_ms = edge.time_ms + settled_ms
        else:
            end = edge.time_ms - settled_ms
            clear = tracker.steady(end - span, end, DRIFT.steady_share)
            after_ms = edge.time_ms + int(DRIFT.settle_min * MINUTE_MS)
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
        if one.sign > 0 and lux < TRACKER.lit_share * level:
            self.waiting = None  # light that goes again before the lamp's time is the sun's
            return
        seen_ms = one.after_ms + int(DRIFT.look_min * MINUTE_MS)
        if not one.looked and now_ms >= seen_ms + MINUTE_MS:
            one.looked = True
            if one.points == 2 and not _clear_after(one, seen_ms, level, tracker):
                one.points = int(one.sized)
        if one.looked and now_ms >= one.until_ms:
            self.waiting = None
            self._judge(one, tolerance, cause, tracker.every_min)

    def _judge(self, one: Sighting, tolerance: float, cause: bool, every_min: float) -> None:
        error = one.error
        if self.first_ms < 0:
            self.first_ms = one.time_ms
        if abs(error) <= tolerance:
            self.fitted = True
            self.doubts = [d for d in self.doubts if d.sign != one.sign and (d.points == 2 or one.points < 2)]
            self._accept(one, tolerance, every_min)
            return
        if not one.points:
            return
        kept_ms = DRIFT.kept_d * DAY_MS
        alike = [
            d
            for d in self.doubts
            if one.time_ms - d.time_ms < kept_ms and abs(d.error - error) < DRIFT.agree_min
        ]
        points = one.points + sum(d.points for d in alike)
        if self.standing and abs(error - self.shift) < DRIFT.alike_min:
            points = DRIFT.enough_points
        # hours that never fitted are left to the doubt about the settings
        known = self.fitted or one.time_ms - self.first_ms > DRIFT.never_fitted_d * DAY_MS
        if known and points >= (DRIFT.cause_points if cause else DRIFT.enough_points):
            self.doubts.clear()
            for sighting in [*alike, one] if not self.standing else [one]:
                self._accept(sighting, tolerance, every_min)
            return
        self.doubts.append(one)
        del self.doubts[: -DRIFT.kept_doubts]

    def _accept(self, one: Sighting, tolerance: float, every_min: float) -> None:
        if one.sign > 0:
            self.last_on_error = one.error
        self.errors.append(one.error)
        self.error_days.append(one.time_ms / DAY_MS)
        self.error_signs.append(one.sign)
        while len(self.errors) > DRIFT.kept_errors or (
            self.error_days[-1] - self.error_days[0] > DRIFT.kept_errors_d
        ):
            del self.errors[0], self.error_days[0], self.error_signs[0]
        error, course = one.error, self._course(every_min)
        fitted = error if course is None else course.now
        measure = fitted if abs(fitted) > abs(error) else error
        self.pace = 0.0 if course is None or not self._slips(course) else course.pace
        past = abs(error) > tolerance + DRIFT.past_min or abs(fitted) > tolerance + DRIFT.past_trend_min
        if past or self.pace:
            self.standing, self.shift = True, measure
            self.on_time = [-1, -1]
        elif self.standing:
            self._on_time(one, measure, tolerance)

    def _course(self, every_min: float) -> Course | None:
        """The line through the last switchings' errors; None for too few, or where the last one jumped."""
        days = [day for day in self.error_days if day > self.error_days[-1] - DRIFT.trend_d]
        recent = self.errors[-len(days) :]
        if len(recent) < DRIFT.trend_edges:
            return None
        slope = theil_sen(days, recent)
        middle = median([e - slope * d for d, e in zip(days, recent, strict=True)])
        now = middle + slope * days[-1]
        scatter = median([abs(e - middle - slope * d) for d, e in zip(days, recent, strict=True)])
        between = every_min / 2
        if scatter > DRIFT.scatter_min + between or abs(now - recent[-1]) > DRIFT.jump_min + between:
            return None
        return Course(slope, now, days[-1] - days[0], scatter, recent, self._agree(days, recent, slope))

    def _agree(self, days: list[float], errors: list[float], slope: float) -> bool:
        """Whether coming on and going out slip alike, as far as both are seen: the sun bends one of them."""
        signs = self.error_signs[-len(days) :]
        for sign in (1, -1):
            places = [n for n, one in enumerate(signs) if one == sign]
            if len(places) < DRIFT.slip_edges:
                continue
            own = theil_sen([days[n] for n in places], [errors[n] for n in places])
            if own * slope <= 0 or abs(own) < DRIFT.slip_share * abs(slope):
                return False
        return True

    def _slips(self, course: Course) -> bool:
        """Whether the timer runs fast or slow, though it may still be within its tolerance."""
        share = DRIFT.slip_over if self.pace * course.pace > 0 else 1.0
        moved = abs(course.pace) * course.span
        far = moved > share * max(DRIFT.slip_min, DRIFT.slip_scatters * course.scatter)
        # away from its time: back towards it, somebody has set it, or the season's sun is in the edges
        away = course.now * course.pace > 0 and abs(course.now) > share * DRIFT.slip_away_min
        if not (
            far
            and away
            and course.alike
            and course.span >= DRIFT.slip_d
            and abs(course.pace) > share * DRIFT.slip_pace
        ):
            return False
        score, sigma = mann_kendall(course.errors)
        return abs(score) > DRIFT.slip_z * sigma

    def _on_time(self, one: Sighting, measure: float, tolerance: float) -> None:
        """Over when both switchings of a day were on time, or one of them on two days."""
        if abs(one.error) >= tolerance - DRIFT.within_min:
            self.shift = measure
            return
        index = 0 if one.sign > 0 else 1
        seen = [at for at in self.on_time if at >= 0]
        self.on_time[index] = one.time_ms
        if seen:
            self.standing, self.shift, self.pace = False, 0.0, 0.0

    def findings(self, moment: Moment, times: str, clock_changed_ms: int, stood_still: bool) -> list[Finding]:
        """The active finding; `times` is the schedule in words."""
        if not self.standing:
            return []
        cause = "the timer runs slow or fast, or has lost its time"
        changed = clock_changed_ms >= 0 and (
            moment.frame.start_ms - clock_changed_ms < DRIFT.clock_change_d * DAY_MS
        )
        if changed and abs(abs(self.shift) - HOUR_MS / MINUTE_MS) < DRIFT.agree_min:
            cause = "the clocks have changed for daylight saving and the timer has not followed"
        elif stood_still:
            cause = "the timer stood still during a power cut"
        return [
            Finding(
                alarm="light-schedule-drift",
                priority="medium" if abs(self.shift) > DRIFT.medium_min else "low",
                value=round(self.shift, 1),
                unit="min",
                cause=cause,
                observations=[
                    f"the lamp switches {minutes_text(abs(self.shift) * 60)} "
                    f"{'late' if self.shift > 0 else 'early'}",
                    *([f"it slips {abs(self.pace):.1f} min a day"] if self.pace else []),
                    times,
                    "last switchings against the schedule, in minutes: "
                    + ", ".join(f"{e:+.0f}" for e in self.errors[-DRIFT.shown_errors :]),
                ],
            )
        ]


def _clear_after(one: Sighting, seen_ms: int, level: float, tracker: LampTracker) -> bool:
    """Whether the light after it is steady, where the lamp came on, or dark, where it went out."""
    if one.sign > 0:
        return tracker.steady(one.after_ms, seen_ms, DRIFT.steady_share)
    return tracker.highest(one.after_ms, seen_ms) < DRIFT.dark_share * level
