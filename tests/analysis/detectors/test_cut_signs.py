"""Cuts that one device alone does not show: no lamp that comes, hours nobody knows, a sun on the meter.

Each fault has its twin beside it, the same frames without it. The rates of gas are those of `test_gas_stops`.
"""

from __future__ import annotations

import pytest

from rushlight.analysis.detectors.heat.heater_lets_go import HeaterTurns
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.detectors.lamp.drift import LampDrift
from rushlight.analysis.detectors.moment import LampFacts
from rushlight.analysis.detectors.power.gas_stops import GasStop
from rushlight.analysis.detectors.power.heat_with_gas import with_a_turn
from rushlight.analysis.detectors.power.mains import PowerDetector
from tests.analysis.detectors.test_gas_stops import BEGAN, LAMP, MINUTE, OPEN, course, moment_of, tank_of


def absent(drift: LampDrift) -> bool:
    """Whether the others hear that the lamp has not come on."""
    moment = moment_of(LAMP, 7.0)
    moment.lamp = LampFacts(absent=True)
    detector = LampDetector(drift=drift)
    detector.presence.missing.out_since = BEGAN
    detector._facts(moment, None, None)
    assert (moment.lamp.out_since_ms >= 0) is moment.lamp.absent
    return moment.lamp.absent


def test_hours_that_no_switching_has_contradicted_are_the_keeper_s_word() -> None:
    """On a tank's second day none has been seen yet; one that came on at other hours proves nothing."""
    assert absent(LampDrift()) and absent(LampDrift(fitted=True, first_ms=BEGAN))
    assert not absent(LampDrift(first_ms=BEGAN))


def never_came(left: float, since: int = 20, due_at: int = LAMP) -> int | None:
    """A lamp due at `due_at`, missed `since` minutes later; from `LAMP` on pH falls by `left` of before."""
    tank, detector = tank_of(), PowerDetector()
    for minute in range(LAMP - 60, LAMP + 90):
        moment = moment_of(minute, course(minute, 0.3, left))
        due = minute >= due_at
        moment.lamp.on, moment.lamp.should_be_on = False, due
        moment.lamp.due_ms = BEGAN + due_at * MINUTE if due else -1
        moment.lamp.absent = minute >= due_at + since
        if detector.update(tank, moment):
            assert "the lamp has not come on" in detector.observations[0]
            return minute - LAMP
    return None


def test_gas_that_stops_as_the_lamp_should_come_is_told_within_the_half_hour() -> None:
    assert never_came(0.0) == 24
    assert never_came(0.6) is None


def test_a_lamp_that_was_due_only_after_the_cut() -> None:
    """The mains went half an hour before: the gas stopped then, and nobody could see the lamp go."""
    first = never_came(0.0, due_at=LAMP + 30)
    assert first is not None and 50 <= first <= 54
    assert never_came(0.6, due_at=LAMP + 30) is None


def turned(every_min: float, celsius: float = 0.3, known: int = 4) -> float:
    """Even odds by the gas; the water rose by 0.3 °C an hour until the lamp went, and falls by `celsius`."""
    turns = HeaterTurns()
    for minute in range(-60, 41, 5):
        turns.course.add(BEGAN + minute * MINUTE, 24.0 - (0.3 if minute < 0 else celsius) * abs(minute) / 60)
    turns.times = [BEGAN - round((100 + n * every_min) * MINUTE) for n in reversed(range(known))]
    turns.lamp_drops = [0.1]
    return with_a_turn(GasStop(-0.1, 0.02, 0.5), turns, -0.3, BEGAN).probability


def test_a_heater_that_lets_go_with_lamp_and_gas_makes_it_likelier() -> None:
    """By Bayes: it does so by chance in a quarter of an hour of as many as lie between its turns."""
    assert turned(150) == pytest.approx(0.5 / (0.5 + 0.5 * 15 / 150))
    assert turned(60) == pytest.approx(0.5 / (0.5 + 0.5 * 15 / 60)) and turned(10) == 0.5
    assert turned(150, celsius=-0.3) == 0.5 and turned(150, known=2) == 0.5


def plug_goes(lamp: int = 0, hours: bool | None = None, back: bool = False) -> int | None:
    """A plug that is not heard from minute 0 on; the lamp goes at minute `lamp`, with hours nobody knows."""
    tank, detector = tank_of(""), PowerDetector()
    for n in range(-60, 60):
        moment = moment_of(LAMP + n, 7.0)
        moment.frame.heater = 50.0 if n < 0 or (back and n >= 5) else None
        moment.lamp.on, moment.lamp.should_be_on = n < lamp, hours
        if n == lamp:
            moment.lamp.edge, moment.lamp.edge_ms = -1, BEGAN + (LAMP + n) * MINUTE
        if detector.update(tank, moment):
            assert "the lamp went out" in detector.observations[0]
            assert "the metering plug on the heater fell silent" in detector.observations[1]
            return n
    return None


def test_plug_and_lamp_that_go_together_at_hours_nobody_knows() -> None:
    """By its hours the lamp goes each day, and a plug that loses its network then says nothing."""
    assert plug_goes() == 9 and plug_goes(lamp=5) == 9
    assert plug_goes(lamp=6) is None and plug_goes(lamp=-8) is None
    assert plug_goes(hours=False) is None and plug_goes(back=True) is None


def cold(
    left: float,
    celsius: float = 24.4,
    lux: float | None = None,
    lamp: bool = False,
    slope: float = -0.3,
    fall: float = 0.3,
) -> int | None:
    """Water that falls in the dark below the 24.6 °C at which its heater came on; the gas stops at `LAMP`."""
    tank, detector = tank_of(OPEN), PowerDetector()
    for minute in range(LAMP - 60, LAMP + 90):
        moment = moment_of(minute, course(minute, fall, left))
        moment.frame.temperature = celsius if minute >= LAMP else 24.9
        moment.frame.light = lux
        moment.heat.floor = moment.heat.comes_on = 24.6
        moment.heat.cooling_rate, moment.heat.slope = -0.4, slope
        moment.lamp.on, moment.lamp.level_lx = lamp, 5000.0
        if detector.update(tank, moment):
            assert "below what the heater holds" in detector.observations[0]
            assert "the gas stopped with it" in detector.observations[1]
            return minute - LAMP
    return None


def test_heat_and_gas_that_stop_in_one_hour_are_told_in_the_dark() -> None:
    """Either alone has its own name: a heater that is dead, a cylinder that is empty."""
    first = cold(0.0)
    assert first is not None and 14 <= first <= 30
    assert cold(0.6) is None and cold(0.0, celsius=24.55) is None


def test_cold_water_poured_in_is_no_cut() -> None:
    """It raises pH and cools the tank at once; at 1.8 of its usual cooling, -0.72 °C an hour, it is that."""
    assert cold(0.0, slope=-0.7) is not None and cold(0.0, slope=-0.75) is None
    assert cold(-6.0, fall=0.02) is None and cold(0.0, fall=0.2) is not None


@pytest.mark.parametrize(("lux", "told"), [(3400.0, True), (3600.0, False)])
def test_less_light_than_the_lamp_gives_is_the_sun_s(lux: float, told: bool) -> None:
    """A lamp that gives 5000 lx can't be lit under 0.7 of that; sunlight only adds."""
    assert (cold(0.0, lux=lux, lamp=True) is not None) is told


@pytest.mark.parametrize("hours", [True, None])
@pytest.mark.parametrize(("lux", "over"), [(3400.0, False), (5000.0, True)])
def test_a_lamp_that_is_lit_ends_a_cut_and_the_sun_does_not(
    lux: float, over: bool, hours: bool | None
) -> None:
    """Whether its hours are known or not."""
    tank, detector = tank_of(), PowerDetector(standing=True)
    for minute in range(LAMP, LAMP + 30):
        moment = moment_of(minute, 7.0)
        moment.lamp.on, moment.lamp.should_be_on, moment.lamp.level_lx = True, hours, 5000.0
        moment.frame.light = lux
        detector.update(tank, moment)
    assert detector.standing is not over
