"""From which course of the water on a fault of the heater is told, by the weighing of what may have happened.

The balance, the cycle and the course are given as they are: the room would cool the water by 1 °C an hour,
and the heater gives as much. Some figures are where a verdict turns, sought by halving. Common practice, no
source, where nothing else is named.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_test import (
    Course,
    Verdict,
    explained_error,
    noise_of,
    unheated_verdict,
    welded_verdict,
)
from rushlight.analysis.detectors.heat.likelihood_numbers import WEIGHED
from rushlight.analysis.detectors.heat.weigh import Line, line_of, weigh
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window

MINUTE = 60_000
NOW = 1_772_323_200_000
FLOOR, CEILING = 24.0, 25.0


def turns_at(told: Callable[[float], bool], no: float, yes: float) -> float:
    """Between `no` and `yes`: where it begins to be told."""
    assert told(yes) and not told(no)
    for _ in range(30):
        middle = (no + yes) / 2
        no, yes = (no, middle) if told(middle) else (middle, yes)
    return yes


def moment(lamp: bool | None = False) -> Moment:
    about = Moment(Frame(NOW, NOW + MINUTE, None, None, None, None, None, {}), 0, 800.0, True, set())
    about.lamp.on = lamp
    return about


def balance(celsius: float, **known: Any) -> HeatNow:
    usual: dict[str, Any] = dict.fromkeys(HeatNow.__struct_fields__)
    usual |= {"now": NOW, "temperature": celsius, "room": 15.0, "floor": FLOOR, "ceiling": CEILING}
    usual |= {"full": 0.0, "rate": 1.0, "learnt": True, "explained": -1.0}
    return HeatNow(**(usual | known))


def course(*stretches: tuple[float, float], end: float, noise: float = 0.02, lamp_ms: int = -1) -> Course:
    """Five-minute values that end at `end` °C now; (°C/h, minutes) from the newest stretch backwards."""
    values = [end]
    for slope, minutes in stretches:
        for _ in range(round(minutes / 5)):
            values.append(values[-1] - slope / 12)
    window = Window(200)
    for n, value in enumerate(reversed(values)):
        window.add(NOW + (n + 1 - len(values)) * 5 * MINUTE, value)
    return Course(window, noise, lamp_ms)


PICKS = HeaterMemory(picks=[FLOOR] * 3)


def cold(
    slope: float,
    minutes: float,
    memory: HeaterMemory = PICKS,
    own: float | None = None,
    cycle: HeaterCycle | None = None,
    noise: float = 0.02,
    lamp: bool | None = False,
    **known: Any,
) -> Verdict | None:
    """Water that is below what the heater holds since so long; `own`: how it fell before, where it counts."""
    end = FLOOR + slope * minutes / 60 + 1e-9
    lamp_ms = NOW if own is None else -1  # a lamp that switched leaves nothing to be said of how it fell
    shown = course((slope, minutes), (own or -1.0, 60), end=end, noise=noise, lamp_ms=lamp_ms)
    heat = balance(end, **known)
    return unheated_verdict(moment(lamp), heat, memory, cycle or HeaterCycle(rising=True), shown)


def warm(
    slope: float,
    minutes: float,
    top: float = CEILING,
    before: float = 1.0,
    cycle: HeaterCycle | None = None,
    memory: HeaterMemory | None = None,
    usual: float | None = None,
    lamp: bool | None = False,
    noise: float = 0.02,
    **known: Any,
) -> Verdict | None:
    """Water that is above where the heater lets go since so long, and rose before."""
    end = top + slope * minutes / 60 - 1e-9
    shown = course((slope, minutes), (before, 60), end=end, noise=noise)
    heat = balance(end, **known)
    what = cycle or HeaterCycle(tops=[CEILING] * 3)
    return welded_verdict(moment(lamp), heat, memory or HeaterMemory(), what, shown, None, usual)


# -- tests ------------------------------------------------------------------------------------------


def nats(verdict: Verdict | None) -> float:
    """By how much a heater at work is less likely."""
    assert verdict is not None
    return verdict.nats


def by_level(errors: float) -> float:
    """What it says that the water is so many standard errors beyond a level (normal distribution)."""
    return errors * errors / 2


# -- a heater that gives no heat --------------------------------------------------------------------


def test_half_way_between_a_weak_heater_and_one_at_work_only_the_level_tells() -> None:
    """Three and seven tenths of its heat; the level counts seven nats at most."""
    assert nats(cold(-0.52, 60)) > 7 > nats(cold(-0.48, 60))
    assert nats(cold(-0.5, 60)) == pytest.approx(7)


def test_half_way_between_a_dead_heater_and_a_weak_one() -> None:
    for slope, name in ((-0.87, "dead"), (-0.83, "weak")):
        verdict = cold(slope, 60)
        assert verdict is not None and verdict.name == name


def test_an_open_lid_doubles_what_the_tank_loses() -> None:
    """With a heater of 0.5 °C an hour at work: 1.5 °C an hour, and half-way to a dead one 1.25."""
    for slope, dead in ((-1.23, True), (-1.27, False)):
        verdict = cold(slope, 60, rate=0.5)
        assert verdict is not None and verdict.runner_up == "draught" and (verdict.odds > 1) is dead


def test_what_the_level_says() -> None:
    """Four hundredths where it is known, three where a meter shows it, three tenths where it is a guess."""
    assert nats(cold(-0.5, 15)) == pytest.approx(by_level(0.125 / 0.04))
    assert nats(cold(-0.5, 60, HeaterMemory())) == pytest.approx(by_level(0.5 / 0.3))
    idle = HeaterMemory(picks=[FLOOR] * 3, metered=True, drew_ms=NOW - 60 * MINUTE)
    metered: dict[str, Any] = {"power": 0.0, "full": 100.0}
    assert nats(cold(-0.5, 15, idle, **metered)) == pytest.approx(by_level(0.125 / 0.03))


@pytest.mark.parametrize(("minutes", "most"), [(4.9, 7), (5.1, 20)])
def test_how_long_a_meter_must_have_shown_it(minutes: float, most: float) -> None:
    idle = HeaterMemory(picks=[FLOOR] * 3, metered=True, drew_ms=NOW - round(minutes * MINUTE))
    assert nats(cold(-0.5, 60, idle, power=0.0, full=100.0)) == pytest.approx(most)


def test_how_well_it_is_known_how_the_water_goes_on() -> None:
    """By its own fall before: 0.05 °C an hour, and 0.15 of it."""
    error = math.hypot(0.05, 0.15)
    assert nats(cold(-1.0, 90, own=-1.0, noise=1e-4)) - 7 == pytest.approx(by_level(0.7 / error), rel=1e-3)


@pytest.mark.parametrize(
    ("parts", "known"),
    [
        ((0.05,), {"explained": 0.0}),
        ((0.05, 0.2), {}),
        ((0.05, 0.5), {"learnt": False}),
        ((0.05, 0.12), {"explained": 0.0, "room": None}),
    ],
)
def test_how_well_it_is_known_what_room_and_lamp_explain(
    parts: tuple[float, ...], known: dict[str, Any]
) -> None:
    """A fifth of it, half of it by a guess, and something for a room that nobody measures."""
    assert explained_error(moment(), balance(24.0, **known)) == pytest.approx(math.hypot(*parts))
    lit = explained_error(moment(lamp=True), balance(24.0, **known))
    assert lit == pytest.approx(math.hypot(0.1, *parts))


# -- a heater that stays on -------------------------------------------------------------------------


def seen(from_c: float = FLOOR) -> HeaterCycle:
    """It was seen to come on, and the water has risen since."""
    return HeaterCycle(tops=[CEILING] * 3, heats=[1.0] * 3, by_heater=True, rising=True, from_c=from_c)


def test_half_way_between_a_heater_that_lets_go_and_one_that_does_not() -> None:
    """The level counts four nats at most: sun, pump or a guest's stove warm the water, too."""
    assert nats(warm(0.52, 60, cycle=seen())) > 4 > nats(warm(0.48, 60, cycle=seen()))
    assert nats(warm(0.5, 60, cycle=seen())) == pytest.approx(4)
    draws = HeaterMemory(metered=True, drew_ms=NOW, idle_ms=NOW - 60 * MINUTE)
    assert nats(warm(0.5, 60, cycle=seen(), memory=draws, power=100.0, full=100.0)) == pytest.approx(20)


def test_other_heat_must_begin_in_those_very_minutes() -> None:
    """Half-way between 0.25 °C an hour and the heater's 1 that chance is all: e² to one."""
    verdict = warm(0.625, 60, cycle=seen())
    assert verdict is not None and verdict.runner_up == "other heat"
    assert verdict.odds == pytest.approx(math.exp(2), rel=0.01)


def test_how_well_it_is_known_what_the_heater_gives() -> None:
    """Four tenths of it, where it was not seen to come on: the twin would be told from far less on.

    Six tenths where the tank has not shown its pace either.
    """
    for heats, share in (([1.0] * 3, 0.4), ([], 0.6)):
        cycle = HeaterCycle(tops=[CEILING] * 3, heats=heats)
        told = turns_at(
            lambda slope, at=cycle: nats(warm(slope, 60, noise=1e-3, cycle=at)) >= WEIGHED.enough(), 0.5, 1.2
        )
        room = math.hypot(0.05, 0.2)
        fit = (1 / room**2 - 1 / (room**2 + share**2)) / 2
        assert told == pytest.approx(math.sqrt((WEIGHED.enough() - 4) / fit), rel=0.01)


def test_a_rise_that_began_above_where_it_comes_on_is_not_its_own() -> None:
    own, other = warm(1.0, 60, cycle=seen(FLOOR + 0.14)), warm(1.0, 60, cycle=seen(FLOOR + 0.16))
    assert nats(own) > 20 > nats(other)


def test_it_is_named_at_nineteen_to_one() -> None:
    """95 % against all that is not the heater's."""

    def verdict(slope: float) -> Verdict:
        found = warm(slope, 60, cycle=seen())
        assert found is not None
        return found

    named = turns_at(lambda slope: verdict(slope).named, 0.3, 1.0)
    assert verdict(named).odds == pytest.approx(19, rel=0.01)
    assert verdict(1.0).odds == pytest.approx(1000)  # no more is told


@pytest.mark.parametrize(("above", "named"), [(0.29, False), (0.31, True)])
def test_as_warm_as_on_any_day_at_this_hour(above: float, named: bool) -> None:
    verdict = warm(1.0, 60, usual=CEILING + 1.0 - above)
    assert verdict is not None and verdict.named is named


# -- the course -------------------------------------------------------------------------------------


def line(minutes: list[int], slope: float = 0.0) -> Line | None:
    return line_of([(n / 60, slope * n / 60) for n in minutes], 0.02)


def test_how_much_makes_a_course() -> None:
    assert line([0, 5, 10, 15]) is not None and line([0, 4, 8, 12]) is None
    assert line([0, 10, 20]) is None
    long = course((0.0, 200), end=24.0).line(0)
    assert long is not None and long.hours == 1.5


def test_no_thermometer_is_better_than_two_hundredths() -> None:
    def noise(of_reading: float) -> float:
        return noise_of(Sensor(noise=of_reading, interval_ms=5 * MINUTE))

    assert noise(0.001) == noise(0.018) < noise(0.022) < noise(0.028)


def test_how_water_went_before() -> None:
    def before(bend: int, since: int) -> float | None:
        shown = course((0.0, 10), (-1.0, bend), (1.0, 100), end=24.0)
        return shown.before(NOW - 10 * MINUTE, NOW - (10 + since) * MINUTE)

    assert before(45, 100) == pytest.approx(-1.0)
    shorter = before(40, 100)
    assert shorter is not None and shorter > -0.95
    assert before(60, 30) is not None and before(60, 25) is None


def test_pouring_takes_ten_minutes() -> None:
    """An exponential distribution; that it may have any slope costs two nats more."""
    for minutes in (30, 60):
        straight = line(list(range(0, minutes + 1, 5)), 2.0)
        assert straight is not None
        found = weigh(straight, {"works": [2.0]}, 0.05, 2.0, {})["poured"]
        assert found == pytest.approx(max(-2 - minutes / 10, -2), abs=0.01) or found < -2
        far = weigh(straight, {"works": [2.0]}, 0.05, -20.0, {})["poured"]
        assert far == pytest.approx(-2 - minutes / 10)
