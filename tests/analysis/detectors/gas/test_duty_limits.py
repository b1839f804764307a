"""Where a pH controller's valve gives too much: how much longer than usual it is open, and for how long.

The shares are given as they are; the limit is 30 mg/L. Common practice, no source, where nothing is named.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.gas.duty import ValveDuty
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.analysis.physics.carbon_dioxide import Gas, probability_over
from tests.analysis.detectors.gas.test_gas_limits import curve, moment, tank_of


def valve(opened: int, usual: float, days: int = 2) -> ValveDuty:
    """Open in so many of the last 36 five-minute values, and usually for that share."""
    profile = DailyProfile(centre="median", usual=[usual] * 48, days=[days] * 48)
    return ValveDuty(falls=[1.0] * opened + [0.0] * (36 - opened), profile=profile)


def first(duty: ValveDuty, ph: float = 7.0, active: str = "") -> int | None:
    """Minutes until it is an alarm."""
    tank = tank_of()
    return next((n for n in range(60) if duty.judge(tank, moment(n, active), curve(ph))), None)


def test_three_hours_of_the_valve_are_asked() -> None:
    duty = ValveDuty()
    for n in range(36):
        duty.add(tank_of(), moment(5 * n), 7.0 - n % 2, True)
    assert duty.now is None
    duty.add(tank_of(), moment(180), 7.0, True)
    assert duty.now == 0.5
    duty.add(tank_of(), moment(185), 7.5, True)
    assert len(duty.falls) == 36


@pytest.mark.parametrize(("minute", "counts"), [(599, False), (600, True), (1079, True), (1080, False)])
def test_out_of_its_hours_a_valve_gives_nothing(minute: int, counts: bool) -> None:
    """From 10:00 to 18:00: what pH does before and after, plants do."""
    tank = tank_of('[tanks.sill.co2]\ncontrol = "ph-controller"\non = "10:00"\noff = "18:00"')
    duty, always = valve(18, 0.2), valve(18, 0.2)
    duty.add(tank, moment(minute), 7.0, True)
    always.add(tank_of('[tanks.sill.co2]\ncontrol = "ph-controller"'), moment(minute), 7.0, True)
    assert (duty.now is not None) is counts and always.now is not None


def test_the_same_three_hours_of_the_usual_day_are_asked() -> None:
    asked: list[float] = []
    profile: Any = SimpleNamespace(at=lambda minute, _: asked.append((800 - minute) % 1440) or 0.5)
    assert ValveDuty(profile=profile).usual(800) == 0.5
    assert asked == [30 * n for n in range(6)]
    assert valve(18, 0.5, days=1).usual(800) is None and valve(18, 0.5, days=2).usual(800) == 0.5


def test_a_valve_that_hardly_opens_says_nothing() -> None:
    assert valve(18, 0.095).gas(tank_of(), 0) is None and valve(18, 0.105).gas(tank_of(), 0) is not None


def test_how_much_more_than_usual_is_no_chance() -> None:
    """One in a hundred by the normal distribution; a share of six openings is uniform within one of them."""
    error = 0.5 / math.sqrt(12)
    assert first(valve(18, 0.5 - 2.2 * error)) is None and first(valve(18, 0.5 - 2.4 * error)) == 20


def test_a_valve_whose_days_differ_must_be_open_for_longer() -> None:
    """Three hours in which it is open for all of one day and for half of the next: 0.5 √½ of a deviation.

    As far as the median of half the days' differences shows it: over the quartile of the normal distribution.
    """
    error = 0.5 / NormalDist().inv_cdf(0.75) / math.sqrt(2)
    for where, spread in ((range(48), error), (range(24, 36), 0.5 / math.sqrt(12))):
        duty = valve(36, 0.6, days=5)
        duty.profile.kept = {n: [1.0, 0.5, 1.0, 0.5, 1.0] if n in where else [0.6] * 5 for n in range(48)}
        assert duty.error(0) == pytest.approx(spread, rel=0.04)
        assert first(duty) == (20 if 2.33 * spread < 0.4 else None)
    assert valve(36, 0.6).error(0) == pytest.approx(0.5 / math.sqrt(12), rel=0.04), "nobody has seen them"


@pytest.mark.parametrize(("opened", "usual"), [(36, 0.67), (30, 0.5), (18, 0.17), (16, 0.11)])
def test_so_much_more_is_over_the_limit_likelier_than_not(opened: int, usual: float) -> None:
    duty, tank = valve(opened, usual), tank_of()
    gas = duty.gas(tank, 0)
    assert first(duty) == 20 and gas is not None and probability_over(gas, 30.0) > 0.5
    # by one that is known, the error is that of either share and of what fish live with
    errors = math.hypot(0.35, 0.5 / math.sqrt(12) / (opened / 36), 0.5 / math.sqrt(24) / usual)
    assert gas.error == pytest.approx(errors, rel=0.04) and isinstance(gas, Gas)


def test_only_a_ph_that_is_held_is_odd() -> None:
    assert first(valve(30, 0.3), 7.025) == 20 and first(valve(30, 0.3), 7.035) is None


def test_the_alarm_holds_until_it_is_one_error_above_the_usual() -> None:
    for above, holds in ((0.145, True), (0.135, False)):
        assert (first(valve(18, 0.5 - above), active="co2-overdose") == 0) is holds
