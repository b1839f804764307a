"""Which switchings are the lamp's, and when its timer is off: just inside each rule and just outside.

Switchings and light are given as they are. Common practice, no source, where nothing else is named.
"""

from __future__ import annotations

import statistics
from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.lamp.drift import Course, LampDrift, Sighting
from rushlight.analysis.detectors.lamp.edge import Edge
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import Moment

MINUTE = 60_000
DAY = 86_400_000
BEGAN = 1_772_323_200_000
LEVEL = 1000.0


def tracker(lit: dict[float, float], before: float = 0.0, after: float = LEVEL) -> LampTracker:
    """Light by the minute from an hour before `BEGAN` to an hour after; `lit`: what is other than that."""
    course = {float(n): before if n < 0 else after for n in range(-60, 61)} | lit
    return LampTracker(
        times=[BEGAN + round(minute * MINUTE) for minute in sorted(course)],
        values=[course[minute] for minute in sorted(course)],
        plateaus=[LEVEL] * 3,
        plateau_days=[1, 2, 3],
        quarters=[0.0] * 4,
    )


# -- whether a switching is the lamp's --------------------------------------------------------------


def points(
    sign: int, lit: dict[float, float], quarter: float = 99.0, size: float = LEVEL, ramp: float = 0.0
) -> int:
    """What a switching at `BEGAN` counts before what follows it is seen."""
    drift = LampDrift()
    light = tracker(lit) if sign > 0 else tracker(lit, LEVEL, 0.0)
    drift.take(Edge(sign, BEGAN, quarter, size), 30.0, light, ramp, 0)
    assert drift.waiting is not None
    return drift.waiting.points


def test_dark_before_it_comes_on() -> None:
    assert points(1, {-15: 240}) == 2 and points(1, {-15: 260}) == 0
    assert points(1, {-16: 500}) == 2 and points(1, {-14: 500}) == 0


def test_steady_before_it_goes_out() -> None:
    assert points(-1, {-5: 885}) == 2 and points(-1, {-5: 875}) == 0
    assert points(-1, {-17.5: 500}) == 2 and points(-1, {-16.5: 500}) == 0
    assert points(-1, {-1.5: 500}) == 2 and points(-1, {-2.5: 500}) == 0  # it settles


def test_its_size_and_its_pace() -> None:
    """Three minutes off in a quarter of the ramp, or an eighth of the ramp; three quarters of its size."""
    sun = {-5.0: 500.0}
    assert points(1, sun, 2.9) == 1 and points(1, sun, 3.1) == 0
    assert points(1, sun, 14.9, ramp=40) == 1 and points(1, sun, 15.1, ramp=40) == 0
    for size, sized in ((740, 0), (760, 1), (1290, 1), (1310, 0)):
        assert points(1, sun, 0.0, size) == sized


def followed(lit: dict[float, float], until: int = 30) -> LampDrift:
    """A lamp that came on clearly at `BEGAN`, and what follows."""
    drift = LampDrift(fitted=True)
    light = tracker(lit)
    drift.take(Edge(1, BEGAN, 99.0, LEVEL), 30.0, light, 0.0, 0)
    for at, value in zip(light.times, light.values, strict=True):
        if BEGAN < at <= BEGAN + until * MINUTE:
            drift.watch(at, value, light, 10.0, cause=True)
    return drift


def test_steady_for_a_quarter_of_an_hour_after() -> None:
    assert followed({10: 1115}).standing and not followed({10: 1125}).standing
    assert not followed({16.5: 1200}).standing and followed({17.5: 1200}).standing
    assert followed({1.5: 1200}).standing and not followed({2.5: 1200}).standing


# -- whether it is believed -------------------------------------------------------------------------


class Timer:
    """A timer of 10 min tolerance whose switchings are seen."""

    def __init__(self, fitted: bool = True, **known: Any) -> None:
        self.drift = LampDrift(fitted=fitted, first_ms=BEGAN if not fitted else -1, **known)

    def sees(self, day: float, error: float, points: int = 2, sign: int = 1, cause: bool = False) -> bool:
        """Whether it is taken for off after this switching."""
        at = BEGAN + round(day * DAY)
        self.drift._judge(Sighting(sign, at, error, points, points > 0, at, at), 10.0, cause, 1.0)
        return self.drift.standing


def off(*seen: tuple[float, ...], **known: Any) -> bool:
    timer = Timer(**known)
    return [timer.sees(*one) for one in seen][-1]  # type: ignore[arg-type]


def test_how_many_points_make_a_drift() -> None:
    assert not off((0, 30, 2)) and off((0, 30, 2), (1, 30, 1)) and not off((0, 30, 1), (1, 30, 1))
    assert off((0, 30, 2, 1, True)) and not off((0, 30, 1, 1, True))


def test_which_switchings_agree() -> None:
    assert off((0, 30), (1, 41.9)) and not off((0, 30), (1, 42.1))
    assert off((0, 30), (2.4, 30)) and not off((0, 30), (2.6, 30))
    between = [(0.1 * n, 30.0 + 40 * n, 1) for n in range(7)]
    assert off(*between[:6], (1, 30, 2)) and not off(*between, (1, 30, 2))


@pytest.mark.parametrize(("error", "same"), [(79, True), (81, False)])
def test_one_like_a_known_drift_is_believed_at_once(error: float, same: bool) -> None:
    timer = Timer(standing=True, shift=60.0)
    timer.sees(0, error, 1)
    assert bool(timer.drift.errors) is same


def test_hours_that_never_fitted_are_left_to_the_doubt() -> None:
    assert not off((3, 30), (3.9, 30), fitted=False) and off((3, 30), (4.1, 30), fitted=False)


# -- how far off ------------------------------------------------------------------------------------


def accepted(*errors: float, every_d: float = 0.5, **known: Any) -> LampDrift:
    timer = Timer(**known)
    for n, error in enumerate(errors):
        at = BEGAN + round(n * every_d * DAY)
        one = Sighting(1 if n % 2 else -1, at, error, 2, True, at, at)
        timer.drift._accept(one, 10.0, 1.0)
    return timer.drift


def test_a_minute_past_its_tolerance() -> None:
    assert not accepted(10.9).standing and accepted(11.1).standing
    assert not accepted(*[10.95] * 3, *[10.6] * 3).standing
    for course, standing in ((11.4, False), (11.6, True)):
        drift = accepted(*[10.9] * 7)
        drift.errors[:] = [course] * 7
        assert not drift.standing
        at = BEGAN + 4 * DAY
        drift._accept(Sighting(1, at, 10.9, 2, True, at, at), 10.0, 1.0)
        assert drift.standing is standing


def test_a_minute_within_it_it_is_on_time_again() -> None:
    assert not accepted(11.5, 8.9, 8.9).standing and accepted(11.5, 9.1, 9.1).standing
    assert accepted(11.5, 8.9).standing


def test_how_much_is_kept() -> None:
    assert len(accepted(*[0.0] * 80, every_d=0.1).errors) == 64
    days = accepted(*[0.0] * 20, every_d=1.0).error_days
    assert days[-1] - days[0] == 14


def course(errors: list[float], days: list[float]) -> Course | None:
    signs = [1 if n % 2 else -1 for n in range(len(days))]
    return LampDrift(errors=errors, error_days=days, error_signs=signs)._course(1.0)


def test_of_how_many_switchings_and_days_its_course_is() -> None:
    assert course([0.0] * 5, [1, 2, 3, 4, 5]) is None and course([0.0] * 6, [1, 2, 3, 4, 5, 6]) is not None
    assert course([0.0] * 6, [0.1, 6, 7, 8, 9, 10]) is not None
    assert course([0.0] * 6, [0.1, 6, 7, 8, 9, 10.2]) is None


def test_what_scatters_or_jumps_has_no_course() -> None:
    days = [float(n) for n in range(8)]
    assert course([3.4, -3.4] * 4, days) is not None and course([3.6, -3.6] * 4, days) is None
    assert course([0.0] * 7 + [8.4], days) is not None and course([0.0] * 7 + [8.6], days) is None


@pytest.mark.parametrize(
    ("offs", "alike"),
    [([0.0, 0.55, 1.1], True), ([0.0, 0.45, 0.9], False), ([0.0, -1.0, -2.0], False), ([0.0, -1.0], True)],
)
def test_coming_on_and_going_out_slip_alike(offs: list[float], alike: bool) -> None:
    """By half of the common course at least; of two alone nobody knows."""
    ons = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    days = [float(n) for n in range(6)] + [n + 0.5 for n in range(len(offs))]
    drift = LampDrift(error_signs=[1] * 6 + [-1] * len(offs))
    assert drift._agree(days, ons + offs, 1.0) is alike


def slips(
    pace: float, span: float, now: float = 9.0, scatter: float = 0.0, n: int = 12, before: float = 0.0
) -> bool:
    errors = [pace * one for one in range(n)]
    return LampDrift(pace=before)._slips(Course(pace, now, span, scatter, errors, True))


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        ({"pace": 3.0, "span": 3.6}, {"pace": 3.0, "span": 3.4}),
        ({"pace": 1.0, "span": 7.1}, {"pace": 1.0, "span": 6.9}),
        ({"pace": 1.0, "span": 9.0, "now": 5.1}, {"pace": 1.0, "span": 9.0, "now": 4.9}),
        ({"pace": 1.0, "span": 10.1, "scatter": 2.5}, {"pace": 1.0, "span": 9.9, "scatter": 2.5}),
        ({"pace": 0.81, "span": 10.0}, {"pace": 0.79, "span": 10.0}),
        (
            {"pace": 1.0, "span": 9.0, "now": 3.1, "before": 1.0},
            {"pace": 1.0, "span": 9.0, "now": 2.9, "before": 1.0},
        ),
        ({"pace": 1.0, "span": 9.0}, {"pace": 1.0, "span": 9.0, "now": -9.0}),
    ],
)
def test_a_timer_that_slips(inside: dict[str, Any], outside: dict[str, Any]) -> None:
    assert slips(**inside) and not slips(**outside)


def test_the_course_must_be_no_chance() -> None:
    """Three standard errors: 1 of 370 (normal distribution), which seven in a row pass and six do not.

    Of n values all in order the count is n (n - 1) / 2, its variance n (n - 1) (2 n + 5) / 18 (Kendall 1975).
    """
    z = statistics.NormalDist().inv_cdf(1 - 1 / 740)
    for n in (6, 7):
        passes = (n * (n - 1) / 2) / (n * (n - 1) * (2 * n + 5) / 18) ** 0.5 > z
        assert slips(2.0, 9.0, n=n) is passes is (n == 7)


# -- what is said -----------------------------------------------------------------------------------


def said(shift: float, changed_d: float | None = None, errors: list[float] | None = None) -> Any:
    frame = Frame(BEGAN, BEGAN + MINUTE, None, None, None, None, None, {})
    drift = LampDrift(standing=True, shift=shift, errors=errors or [shift])
    changed = -1 if changed_d is None else BEGAN - round(changed_d * DAY)
    (finding,) = drift.findings(Moment(frame, 0, 0.0, True, set()), "", changed, stood_still=False)
    return finding


def test_more_than_an_hour_is_no_small_matter() -> None:
    assert said(59).priority == "low" and said(61).priority == "medium"


def test_a_clock_change_is_the_cause_for_four_days() -> None:
    assert "daylight saving" in said(60, 3.9).cause and "daylight saving" not in said(60, 4.1).cause
    assert "daylight saving" in said(71.9, 1).cause and "daylight saving" not in said(72.1, 1).cause


def test_the_last_two_days_of_switchings_are_told() -> None:
    assert said(6, errors=[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]).observations[-1].endswith("minutes: +3, +4, +5, +6")
