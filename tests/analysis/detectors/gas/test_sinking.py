"""Hardness that runs out beside gas that has come to a new level: each rule just inside and just outside.

What the tank usually does is given as it is. Common practice, no source; probabilities are those of the
normal distribution, by Python's own `statistics`. That gas at a steady supply nears its level as exp(-k t) is
first-order exchange with the air (Stumm & Morgan, Aquatic Chemistry, from memory).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.gas.sinking import Sinking
from rushlight.analysis.estimators.sensor import Sensor
from tests.analysis.detectors.gas.test_gas_limits import BEGAN, FED, MINUTE, moment, tank_of

HOUR = 60
NORMAL = statistics.NormalDist()


def about(ph: float, **known: Any) -> Any:
    """The tank's lowest is pH 7.0 each day; `usual`: its usual pH by the minute of the day."""
    usual = known.pop("usual", lambda _: 7.0)
    what: dict[str, Any] = {
        "usual_low": 7.0, "creeping": True, "scatter": 0.03, "loss_per_h": 2.0, "expected": 7.0, "fall": 0.0
    }  # fmt: skip
    return SimpleNamespace(ph=ph, profile=SimpleNamespace(at=usual), **(what | known))


def sinks(
    course: Callable[[float], float], hours: float, low: float = 6.6, step: float = 0.0, **known: Any
) -> tuple[float, float]:
    """The hour at which it first sinks as hardness does, -1 for never; and its pace then, pH/h."""
    sinking, tank = Sinking(), tank_of(FED)
    for minute in range(0, round(hours * HOUR), 5):
        curve, now = about(course(minute / HOUR), **known), moment(minute)
        now.sensors["ph"] = Sensor(step=step)
        sinking.add(now.frame.start_ms, curve)
        if pace := sinking.pace(tank, now, curve, low):
            return minute / HOUR, pace
    return -1.0, 0.0


def kept(hours: list[float], since: float = 20.0, low: float | None = None, **known: Any) -> float:
    """pH an hour, where the lowest of each hour is given, the newest last. `low`: near, if not given."""
    low = hours[-1] - 0.03 if low is None else low
    now = moment(known.pop("minute", 0), *known.pop("about_it", "").split())
    start = now.frame.start_ms
    sinking = Sinking(hours, start, start - round(since * HOUR) * MINUTE, start)
    return sinking.pace(tank_of(known.pop("tank", FED)), now, about(hours[-1], **known), low)


def by_parts(*falls: float, hours: int = 3) -> list[float]:
    """The lowest of each hour, falling by so much in each part of so many hours."""
    out = [6.9]
    for fall in falls:
        out += [out[-1] - fall * (n + 1) / hours for n in range(hours)]
    return out


# -- sinking on where gas has come to its level -----------------------------------------------------


def test_hardness_sinks_on_and_gas_comes_to_its_level() -> None:
    """1 % of the way is left after twelve hours at 0.4 an hour; hardness goes with its logarithm."""
    usual = {"loss_per_h": 0.4}

    def gas(hour: float) -> float:
        return 7.0 - math.log10(1 + 1.5 * (1 - math.exp(-0.4 * hour)))

    def hardness(hour: float) -> float:
        return 7.0 + math.log10(max(0.01, 1 - hour / 40))

    assert sinks(gas, 39, low=6.0, **usual)[0] == -1.0
    at, pace = sinks(hardness, 39, low=6.0, **usual)
    assert 12 <= at < 39 and hardness(at) > 6.0 and 0.01 < pace < 0.1


def test_it_must_have_departed_for_twelve_hours() -> None:
    at, _ = sinks(lambda hour: 6.94 - 0.012 * hour, 30)
    assert 12.0 <= at <= 12.2
    assert sinks(lambda hour: 6.94 - 0.012 * hour, 30, creeping=False, usual=lambda _: None)[0] == -1.0


@pytest.mark.parametrize(
    ("about_it", "seen"),
    [("heater-not-heating", True), ("light-missing", False), ("power-interrupted", False)],
)
def test_plants_in_the_dark_take_up_no_gas(about_it: str, seen: bool) -> None:
    """A reactor gives more than usual then for as long as it is dark, and comes to no level before."""
    assert (kept([6.9 - 0.02 * n for n in range(21)], about_it=about_it) > 0) is seen


@pytest.mark.parametrize(("flat", "seen"), [(6.5, True), (9.0, False)])
def test_it_must_have_sunk_in_the_last_eight_hours(flat: float, seen: bool) -> None:
    hours = [6.9 - 0.02 * min(n, 20 - round(flat)) for n in range(21)]
    assert (kept(hours) > 0) is seen


def test_what_gas_makes_by_chance_is_no_hardness() -> None:
    """One in six: 0.99 standard deviations of the days' lowest pH; a step adds its own."""
    edge = -0.03 * NORMAL.inv_cdf(0.16)
    for sunk, seen in ((edge - 0.0015, False), (edge + 0.0015, True)):
        assert (kept([6.9] * 20 + [6.9 - sunk]) > 0) is seen
    coarse = -math.hypot(0.03, 0.1 / math.sqrt(12)) * NORMAL.inv_cdf(0.16)
    for sunk, seen in ((coarse - 0.003, False), (coarse + 0.003, True)):
        at, _ = sinks(lambda hour, sunk=sunk: 6.9 - (sunk if hour > 14 else 0), 20, low=6.83, step=0.1)  # type: ignore[misc]
        assert (at > 0) is seen


def test_a_slow_tank_has_more_of_the_way_left() -> None:
    """At 0.1 an hour 30 % is left twelve hours after, of 0.1 pH: 0.043 more by gas."""
    left = math.exp(-0.1 * 12)
    edge = 0.1 * left / (1 - left) - 0.03 * NORMAL.inv_cdf(0.16)
    for sunk, seen in ((edge - 0.002, False), (edge + 0.002, True)):
        assert (kept([6.9] * 20 + [6.9 - sunk], loss_per_h=0.1) > 0) is seen
        assert (kept([6.9] * 20 + [6.9 - sunk], loss_per_h=None) > 0) is seen


@pytest.mark.parametrize(("sunk", "seen"), [(0.145, True), (0.155, False)])
def test_what_has_come_all_at_once_lately_may_be_gas(sunk: float, seen: bool) -> None:
    assert (kept([6.9] * 20 + [6.9 - sunk]) > 0) is seen


def test_a_day_to_the_limit_at_its_pace() -> None:
    """0.1 pH in ten hours; or three hours at the pace of now."""
    hours = [6.9] * 11 + [6.9 - 0.01 * n for n in range(1, 11)]
    assert kept(hours) == pytest.approx(0.01)
    for above, seen in ((0.23, True), (0.25, False)):
        assert (kept(hours, low=6.8 - above) > 0) is seen
        assert (kept(hours, low=6.8 - 2 * above, fall=0.16) > 0) is seen


def test_the_lowest_of_a_day_and_three_hours_is_kept() -> None:
    sinking = Sinking()
    for minute in range(0, 60 * HOUR, 5):
        sinking.add(BEGAN + minute * MINUTE, about(7.0))
    assert len(sinking.lowest) == 27


@pytest.mark.parametrize(
    ("stepped", "seen"), [(0.0, True), (-0.095, True), (0.095, True), (-0.105, False), (0.105, False)]
)
def test_a_step_that_fades_into_the_curve_is_no_water(stepped: float, seen: bool) -> None:
    sinking, tank = Sinking(), tank_of(FED)
    found = []
    for minute in range(0, 30 * HOUR, 5):
        curve, now = about(6.94 - 0.012 * minute / HOUR), moment(minute)
        sinking.add(now.frame.start_ms, curve, stepped)
        found.append(sinking.pace(tank, now, curve, 6.6))
    assert any(found) is seen


@pytest.mark.parametrize(("gap", "kept_on"), [(2.5, True), (3.5, False)])
def test_a_gap_in_which_nobody_looked(gap: float, kept_on: bool) -> None:
    sinking = Sinking()
    for hour in (0.0, 1.0, 2.0, 2.0 + gap):
        sinking.add(BEGAN + round(hour * HOUR) * MINUTE, about(7.0))
    assert (len(sinking.lowest) > 1) is kept_on
    sinking.add(BEGAN - 5 * MINUTE, about(6.9))  # a clock that was put back
    assert sinking.lowest == [6.9]


def test_where_it_departs_and_when_that_is_over() -> None:
    """0.05 below the usual lowest; a day and two hours without is the end of it."""
    for below, seen in ((0.045, False), (0.055, True)):
        sinking = Sinking()
        sinking.add(BEGAN, about(7.0 - below))
        assert (sinking.since >= 0) is seen
    for hours, there in ((25, True), (27, False)):
        sinking = Sinking()
        for hour in range(hours + 1):
            sinking.add(BEGAN + hour * HOUR * MINUTE, about(6.9 if hour == 0 else 7.0))
        assert (sinking.since >= 0) is there


# -- a fall that quickens ---------------------------------------------------------------------------

SINCE = {"since": 1.0}  # it departs only now: what has sunk on says nothing yet


def test_a_fall_that_quickens_over_nine_hours() -> None:
    assert kept(by_parts(0.04, 0.06, 0.1), **SINCE) == pytest.approx(0.1 / 3)
    assert kept(by_parts(0.06, 0.04, 0.1), **SINCE) == 0.0
    assert kept(by_parts(0.06, 0.1, 0.09), **SINCE) == 0.0
    # nine hours and no fewer
    assert kept(by_parts(0.04, 0.06, 0.1)[1:], **SINCE) == 0.0
    assert kept([7.2, 7.0, *by_parts(0.04, 0.06, 0.1)], **SINCE) > 0


def test_how_much_it_falls() -> None:
    assert kept(by_parts(0.028, 0.06, 0.1), **SINCE) == 0.0 and kept(by_parts(0.032, 0.06, 0.1), **SINCE) > 0
    assert kept(by_parts(0.04, 0.04, 0.065), **SINCE) == 0.0
    assert kept(by_parts(0.04, 0.04, 0.075), **SINCE) > 0
    falls = by_parts(0.04, 0.06, 0.1)
    for odd, seen in ((0.145, False), (0.155, True)):
        assert (kept(falls, expected=falls[-1] + odd, **SINCE) > 0) is seen


def test_two_parts_to_the_limit() -> None:
    falls = by_parts(0.04, 0.06, 0.1)
    for above, seen in ((0.19, True), (0.21, False)):
        assert (kept(falls, low=falls[-1] - above, **SINCE) > 0) is seen


def test_a_day_that_always_quickens_is_no_hardness() -> None:
    """The usual day falls by as much, but for a quarter of it: plants, or gas."""
    falls = by_parts(0.08, 0.12, 0.2)

    def usual(share: float) -> Callable[[float], float]:
        return lambda minute: 7.3 + share * (falls[round(minute / HOUR)] - 6.9)

    nine = 9.0 * HOUR
    assert kept(falls, minute=nine, usual=usual(0.75), **SINCE) == 0.0
    assert kept(falls, minute=nine, usual=usual(0.5), **SINCE) > 0


@pytest.mark.parametrize(("opens", "shuts", "seen"), [
    ("10:00", "18:00", True), ("10:00", "19:00", False), ("03:00", "18:00", False),
])  # fmt: skip
def test_where_a_valve_has_opened_it_may_be_gas(opens: str, shuts: str, seen: bool) -> None:
    """At half past three, and shut for nine hours."""
    text = FED + f'on = "{opens}"\noff = "{shuts}"\n'
    assert (kept(by_parts(0.04, 0.06, 0.1), minute=210.0, tank=text, **SINCE) > 0) is seen
