"""Gas that stops as the lamp goes, and gas that goes on: what pH does after each, and how sure that is.

Water that gains gas through a valve and loses it to the air is a vessel with an inlet and an outlet that goes
as the excess (first order), so its pH relaxes exponentially; the rates are common practice for a planted
tank, no source.
"""

from __future__ import annotations

import math
import random
from statistics import NormalDist, linear_regression

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.moment import GasFacts, Moment, Tank
from rushlight.analysis.detectors.power.gas_stops import GasStop, GasStops, by_a_valve
from rushlight.analysis.detectors.power.mains import PowerDetector
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
BEGAN = 1_768_435_200_000  # 00:00 UTC
LAMP = 14 * 60  # minutes of the day at which the lamp goes
TEXT = (
    '[tanks.alcove]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.alcove.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\n"
    "[tanks.alcove.heater]\nsetpoint_c = 25\n"
)
OPEN = 'source = "cylinder"\non = "09:00"\noff = "19:00"\n'


def tank_of(gas: str = OPEN) -> Tank:
    return Tank("alcove", parse_settings(f"{TEXT}[tanks.alcove.co2]\n{gas}" if gas else TEXT).tanks["alcove"])


def moment_of(
    minute: int, ph: float | None, disturbed: bool = False, electrode: Sensor | None = None
) -> Moment:
    at = BEGAN + minute * MINUTE
    frame = Frame(at, at + MINUTE, 24.8, None, ph, 0.0, None, {})
    moment = Moment(frame, 0, float(minute % 1440), minute % 5 == 4, set())
    moment.sensors = {"ph": electrode or Sensor()}
    moment.gas = GasFacts(ph=ph or 7.0)
    moment.heat.disturbed = disturbed
    return moment


def course(minute: float, fall: float, left: float, rises: float = 0.0) -> float:
    """pH that falls by `fall` an hour until the lamp goes, by `left` of it after that, or rises."""
    since = (minute - LAMP) / 60
    return 7.0 - fall * since if since < 0 else 7.0 - (fall * left - rises) * since


def seen(
    fall: float = 0.3,
    left: float = 0.0,
    until: int = 45,
    gas: str = OPEN,
    noise: float = 0.003,
    begin: int = -60,
    lamp: int = LAMP,
    electrode: Sensor | None = None,
) -> GasStop | None:
    """What is made of it so many minutes after the lamp went."""
    tank, stops, chance = tank_of(gas), GasStops(), random.Random(5)
    moment = None
    for minute in range(LAMP + begin, LAMP + until + 1):
        ph = course(minute, fall, left) + chance.gauss(0, noise)
        if minute % 5 == 4:
            moment = moment_of(minute, ph, electrode=electrode)
            stops.add(tank, moment)
    assert moment is not None
    return stops.with_lamp(tank, moment, BEGAN + lamp * MINUTE)


def probability(fall: float = 0.3, left: float = 0.0, **known: int | float | str) -> float:
    stop = seen(fall, left, **known)  # type: ignore[arg-type]
    assert stop is not None
    return stop.probability


def test_gas_that_stops_is_the_mains_and_gas_that_goes_on_the_lamp() -> None:
    assert probability(left=0.0) > 0.95
    assert probability(left=0.6) < 0.02
    assert probability(left=1.0) < 0.02


@pytest.mark.parametrize(("gas", "alone"), [(OPEN, 0.01 * 0.75), ('source = "cylinder"\n', 0.1 * 0.75)])
@pytest.mark.parametrize("left", [-0.4, 0.0, 0.15, 0.3])
def test_the_probability_is_that_of_bayes(gas: str, alone: float, left: float) -> None:
    """Even odds before; what each of them does to pH as the module's head has it, all else by 1 in 20."""
    stop = seen(left=left, gas=gas, noise=0.0)
    assert stop is not None
    stopped = NormalDist(0.02, 0.05).pdf(stop.after)
    goes_on = NormalDist(0.6 * stop.before, 0.2 * abs(stop.before)).pdf(stop.after)
    mains, lamp = 0.5 * stopped, 0.5 * ((1 - alone) * goes_on + alone * stopped)
    assert stop.probability == pytest.approx(mains / (mains + lamp + 0.05 / 2), abs=1e-6)


def test_how_much_of_the_fall_is_left() -> None:
    """A supply that is weaker in that very hour proves nothing; nearly none of it does."""
    assert probability(left=0.08) > 0.9 > probability(left=0.12)
    assert probability(left=0.2) > 0.4 and probability(left=0.35) < 0.1


def test_water_that_rises_fast_is_another_matter() -> None:
    """No valve that shuts makes pH rise by a quarter in an hour: an air pump does, and a hand."""
    assert probability(left=-0.4) > 0.9 > probability(left=-0.75)


@pytest.mark.parametrize(("fall", "told"), [(0.05, False), (0.07, True)])
def test_water_that_gains_no_gas_says_nothing(fall: float, told: bool) -> None:
    """Where nobody knows when the valve is open; where it is known, pH that stands still says as much."""
    assert (seen(fall, gas='source = "cylinder"\n', noise=0.0005) is not None) is told
    assert seen(fall, noise=0.0005) is not None


@pytest.mark.parametrize(("fall", "told"), [(-0.033, False), (-0.027, True)])
def test_water_that_loses_gas_with_the_valve_open_says_nothing(fall: float, told: bool) -> None:
    assert (seen(fall, noise=0.0005) is not None) is told


def test_ph_that_stood_still_and_rises_as_the_lamp_goes_is_the_mains() -> None:
    """As much gas came as left. Without the plants pH falls; it rises where no gas comes any more."""
    assert probability(0.02, left=-4.0) > 0.9
    assert probability(0.02, left=-1.5) < 0.8
    assert probability(0.02, left=1.0) < 0.6


@pytest.mark.parametrize("left", [-4.0, -2.0, 0.0, 2.0])
def test_the_probability_of_water_that_gains_no_more_is_that_of_bayes(left: float) -> None:
    stop = seen(0.02, left=left, noise=0.0)
    assert stop is not None
    stopped, goes_on = NormalDist(0.08, 0.05).pdf(stop.after), NormalDist(-0.012, 0.03).pdf(stop.after)
    mains, lamp = 0.5 * stopped, 0.5 * (0.9925 * goes_on + 0.0075 * stopped)
    assert stop.probability == pytest.approx(mains / (mains + lamp + 0.05 / 2), abs=1e-6)


def test_twenty_minutes_past_the_lag_are_seen_at_least() -> None:
    assert seen(until=23) is None and seen(until=24) is not None
    assert seen(begin=-20) is not None and seen(begin=-14) is None
    assert seen(until=75) is not None


def test_only_what_came_within_three_quarters_of_an_hour_before_counts() -> None:
    """The valve opened an hour before: what pH did until then is no fall."""
    tank, stops = tank_of(), GasStops()
    for minute in range(LAMP - 100, LAMP + 46):
        ph = course(minute, 0.3, 0.0) if minute > LAMP - 46 else 7.0 + 0.3 * 46 / 60
        if minute % 5 == 4:
            moment = moment_of(minute, ph)
            stops.add(tank, moment)
    stop = stops.with_lamp(tank, moment, BEGAN + LAMP * MINUTE)
    assert stop is not None and stop.before == pytest.approx(-0.3, abs=0.01)


def test_all_of_three_quarters_of_an_hour_counts() -> None:
    """By the standard library's least squares: pH stood still, and fell from half an hour before on."""
    tank, stops = tank_of(), GasStops()
    points: list[tuple[float, float]] = []
    for minute in range(LAMP - 60, LAMP + 46):
        if minute % 5 == 4:
            ph = 7.0 - 0.4 * max(0, min(minute, LAMP) - LAMP + 30) / 60
            points += [(minute / 60, ph)] if LAMP - 45 <= minute < LAMP else []
            moment = moment_of(minute, ph)
            stops.add(tank, moment)
    stop = stops.with_lamp(tank, moment, BEGAN + LAMP * MINUTE)
    slope = linear_regression(*zip(*points, strict=True)).slope
    assert stop is not None and stop.before == pytest.approx(slope)


@pytest.mark.parametrize(("lamp", "counts"), [(LAMP, True), (LAMP + 1, False)])
def test_what_lags_behind_the_lamp_does_not_count(lamp: int, counts: bool) -> None:
    """The value of the minutes 5 to 10 counts for a lamp that went at 0, not for one that did at 1."""
    tank, stops = tank_of(), GasStops()
    for minute in range(LAMP - 60, LAMP + 46):
        if minute % 5 == 4:
            ph = course(minute, 0.3, 0.0) + (0.05 if minute == LAMP + 9 else 0.0)
            moment = moment_of(minute, ph)
            stops.add(tank, moment)
    stop = stops.with_lamp(tank, moment, BEGAN + lamp * MINUTE)
    assert stop is not None and (stop.after < -0.01) is counts


def test_what_is_long_past_is_left_out() -> None:
    """An hour after the lamp the valve's own course, and the night, begin to count."""
    tank, stops = tank_of(), GasStops()
    for minute in range(LAMP - 60, LAMP + 76):
        if minute % 5 == 4:
            late = 0.5 * max(0, minute - LAMP - 62) / 60
            moment = moment_of(minute, course(minute, 0.3, 0.0) + late)
            stops.add(tank, moment)
    stop = stops.with_lamp(tank, moment, BEGAN + LAMP * MINUTE)
    assert stop is not None and stop.after == pytest.approx(0.0, abs=0.005)
    assert len(stops.course.values) == 21


def test_what_a_reading_jitters_by_makes_it_less_sure() -> None:
    """Few values may lie in a line by chance; the probe's own noise says how far to trust them."""

    def told(noise: float) -> float:
        stop = seen(left=0.3, until=29, noise=0.0, electrode=Sensor(noise=noise))
        assert stop is not None
        return stop.probability

    assert told(0.0) < 0.25 and told(0.02) == pytest.approx(0.35, abs=0.03)


def test_a_valve_that_shuts_by_its_own_hours() -> None:
    """The valve's timer may be a quarter of an hour off, at either end."""
    for on, off, told in (
        ("09:00", "14:58", False),
        ("09:00", "15:02", True),
        ("13:46", "19:00", False),
        ("13:44", "19:00", True),
        ("15:30", "09:00", False),
    ):
        stop = seen(until=44, gas=f'source = "cylinder"\non = "{on}"\noff = "{off}"\n')
        assert (stop is not None) is told, (on, off)


def test_hours_that_nobody_wrote_down_make_it_less_sure() -> None:
    known, unknown = probability(), probability(gas='source = "cylinder"\n')
    assert known > 0.96 > unknown > 0.9
    assert probability(gas='source = "cylinder"\ncontrol = "always"\n') == known


@pytest.mark.parametrize(
    ("gas", "valve"),
    [
        (OPEN, True),
        ('source = "yeast"\n', False),
        ('source = "cylinder"\ncontrol = "ph-controller"\nph_setpoint = 6.8\n', False),
        ("", False),
    ],
)
def test_gas_that_no_valve_shuts_is_not_looked_at(gas: str, valve: bool) -> None:
    """A reactor goes on without mains, and a controller shuts its valve every few minutes by itself."""
    assert by_a_valve(tank_of(gas)) is valve
    assert (seen(gas=gas) is not None) is valve if valve else True
    tank, stops = tank_of(gas), GasStops()
    stops.add(tank, moment_of(4, 7.0))
    assert bool(stops.course.values) is valve


def test_hands_at_the_tank_and_gaps_end_a_course() -> None:
    for odd, kept in ((moment_of(14, 7.0), 3), (moment_of(14, 7.0, True), 0), (moment_of(14, None), 2)):
        tank, stops = tank_of(), GasStops()
        stops.add(tank, moment_of(4, 7.0))
        stops.add(tank, moment_of(9, 7.0))
        stops.add(tank, odd)
        assert len(stops.course.values) == kept
    for gap, kept in ((10, 2), (15, 1)):
        tank, stops = tank_of(), GasStops()
        stops.add(tank, moment_of(4, 7.0))
        stops.add(tank, moment_of(4 + gap, 7.0))
        assert len(stops.course.values) == kept


# -- in the detector --------------------------------------------------------------------------------


def watched(left: float, watts: float | None = None) -> int | None:
    """Minutes after the lamp went at which the mains is said to have gone; the heater rests all the while."""
    tank, detector = tank_of(), PowerDetector()
    for minute in range(LAMP - 60, LAMP + 90):
        moment = moment_of(minute, course(minute, 0.3, left))
        moment.frame.heater = watts
        moment.heat.floor, moment.heat.cooling_rate, moment.heat.slope = 23.0, -0.4, -0.3
        out = minute >= LAMP
        moment.lamp.on, moment.lamp.should_be_on = not out, True
        moment.lamp.out_since_ms = BEGAN + LAMP * MINUTE if out else -1
        if detector.update(tank, moment):
            assert "the gas stopped with it" in detector.observations[1]
            return minute - LAMP
    return None


def test_lamp_and_gas_gone_together_are_told_within_the_hour() -> None:
    assert watched(0.6) is None
    first = watched(0.0)
    assert first is not None and 24 <= first <= 45
    assert watched(0.0, watts=0.0) == first
    assert watched(0.15) is None  # likelier than not, and not sure enough
    assert watched(0.0, watts=40.0) is None  # a heater that draws has its mains


def without_a_lamp(
    short: float = 0.2,
    left: float = 0.0,
    gas: str = OPEN,
    lamp: bool | None = None,
    watts: float | None = None,
) -> int | None:
    """No light is measured; the heater lets go so far short of its 25 °C, as the gas stops."""
    tank, detector = tank_of(gas), PowerDetector()
    detector.turns.tops, detector.turns.times = [25.0] * 4, [BEGAN - n * 300 * MINUTE for n in (4, 3, 2, 1)]
    for minute in range(LAMP - 60, LAMP + 90):
        moment = moment_of(minute, course(minute, 0.3, left))
        moment.frame.heater, moment.lamp.on = watts, lamp
        if minute == LAMP + 29:  # seen when it is half an hour old
            detector.turns.tops.append(25.0 - short)
            detector.turns.times.append(BEGAN + LAMP * MINUTE)
        if detector.update(tank, moment):
            assert "and not at its usual 25.0 °C" in detector.observations[0]
            assert "the gas stopped with it" in detector.observations[1]
            return minute - LAMP
    return None


def test_heater_and_gas_gone_together_are_told_without_a_lamp() -> None:
    assert without_a_lamp() == 29 and without_a_lamp(watts=0.3) == 29
    assert without_a_lamp(left=0.6) is None
    assert without_a_lamp(short=0.09) is None  # its own thermostat did that
    assert without_a_lamp(short=0.11) == 29
    assert without_a_lamp(lamp=True) is None and without_a_lamp(watts=40.0) is None
    assert without_a_lamp(lamp=False) == 29


def test_a_valve_of_unknown_hours_shuts_once_a_day_by_itself() -> None:
    assert without_a_lamp(gas='source = "cylinder"\n') is None
    assert without_a_lamp(gas='source = "cylinder"\ncontrol = "always"\n') == 29


def test_the_exponential_that_a_weaker_supply_makes_is_no_stop() -> None:
    """Half an hour after a lamp's going a quick tank (1.2 of its excess an hour) still falls by half."""
    left = math.exp(-1.2 * 0.5)
    assert left == pytest.approx(0.55, abs=0.01)
    assert probability(left=left) < 0.05
