"""Mains lost while the device runs on: lamp and heater gone together, and when it is over.

The water is a body that warms and cools by Newton's law of cooling between a thermostat's two temperatures;
its figures are common practice for a small tank, no source.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat.heater_lets_go import HeaterTurns
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.power import numbers
from rushlight.analysis.detectors.power.mains import PowerDetector
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.collector.settings import parse_settings
from tests.analysis.bare_numbers import bare_numbers

MINUTE = 60_000
BEGAN = 1_768_435_200_000
TEXT = (
    '[tanks.alcove]\nvolume_litres = 60\ntimezone = "Europe/Lisbon"\n'
    "[tanks.alcove.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\n"
    "[tanks.alcove.heater]\nsetpoint_c = 25\n"
)
USUAL = -0.35  # °C an hour, unheated

ROOM, HOURS, WARMING = 19.0, 17.0, 0.75  # °C, time constant, °C an hour the heater adds


class Water:
    """24.6 to 25.2 °C by a thermostat; `cut` takes the heater away."""

    def __init__(self) -> None:
        self.celsius, self.heating, self.cut = 25.0, False, False
        self.chance = random.Random(3)

    def minute(self) -> float:
        """One minute on; what a probe shows, with its noise."""
        if self.celsius < 24.6:
            self.heating = True
        elif self.celsius > 25.2:
            self.heating = False
        gain = WARMING if self.heating and not self.cut else 0.0
        self.celsius += (gain - (self.celsius - ROOM) / HOURS) / 60
        return self.celsius + self.chance.gauss(0, 0.01)


def days_of(water: Water, turns: HeaterTurns, minutes: int, begin: int = 0) -> int:
    for n in range(begin, begin + minutes):
        seen = water.minute()
        if n % 5 == 0:
            turns.add(BEGAN + n * MINUTE, seen, USUAL, not water.cut)
    return begin + minutes


def test_newton_s_law_is_what_the_water_does() -> None:
    water = Water()
    water.cut = True
    for _ in range(600):
        water.minute()
    assert water.celsius == pytest.approx(ROOM + (25 - ROOM) * math.exp(-10 / HOURS), abs=0.01)


def test_where_the_heater_lets_go_is_learnt() -> None:
    turns = HeaterTurns()
    days_of(Water(), turns, 2 * 1440)
    assert len(turns.tops) >= 5
    assert turns.top == pytest.approx(25.2, abs=0.05)


def test_heat_cut_short_with_the_lamp_is_no_thermostat() -> None:
    water, turns = Water(), HeaterTurns()
    n = days_of(water, turns, 2 * 1440)
    while not (water.heating and 24.8 < water.celsius < 24.9):
        n = days_of(water, turns, 1, n)
    lamp_ms = BEGAN + n * MINUTE
    water.cut = True
    n = days_of(water, turns, 35, n)
    turn = turns.with_lamp(lamp_ms, USUAL)
    assert turn is not None
    assert abs(turn.time_ms - lamp_ms) <= 5 * MINUTE
    assert turn.before > 0.2 and turn.after == pytest.approx(-(24.85 - ROOM) / HOURS, abs=0.1)
    assert turns.with_lamp(lamp_ms - 60 * MINUTE, USUAL) is None  # the lamp went at another time


def test_a_thermostat_that_switches_often_may_do_it_as_the_lamp_goes() -> None:
    """Its own turn, at its own temperature, counts only where turns are hours apart."""
    water, turns = Water(), HeaterTurns()
    n = days_of(water, turns, 2 * 1440)
    while water.heating or water.celsius < 25.15:
        n = days_of(water, turns, 1, n)
    turn_ms = BEGAN + n * MINUTE
    n = days_of(water, turns, 35, n)
    often = copy_of(turns)
    often.times = [turns.times[-1] - 90 * MINUTE * k for k in range(len(turns.times))][::-1]
    rarely = copy_of(turns)
    rarely.times = [turns.times[-1] - 240 * MINUTE * k for k in range(len(turns.times))][::-1]
    assert often.with_lamp(turn_ms, USUAL) is None
    assert rarely.with_lamp(turn_ms, USUAL) is not None


@pytest.mark.parametrize("ordinary", [True, False])
def test_the_lamp_s_own_heat_is_not_the_heater_s(ordinary: bool) -> None:
    """A strong lamp warms the water until it goes: after one ordinary evening its dying says no more."""
    turns = HeaterTurns(tops=[25.0] * 3, times=[BEGAN - k * 8 * 60 * MINUTE for k in (3, 2, 1)])
    celsius, off_ms = 24.0, BEGAN + 180 * MINUTE
    for n in range(0, 700, 5):
        lit = n < 180 or 420 <= n < 600
        celsius += (0.25 if lit else -0.25) / 12
        seen = off_ms if ordinary and 180 <= n < 420 else -1
        turns.add(BEGAN + n * MINUTE, celsius, USUAL, 180 <= n < 420, seen)
        if n == 635:
            turn = turns.with_lamp(BEGAN + 600 * MINUTE, USUAL)
    assert (turn is None) == ordinary


def copy_of(turns: HeaterTurns) -> HeaterTurns:
    return HeaterTurns(turns.course, list(turns.tops), list(turns.times))


def test_nothing_is_said_of_a_heater_that_was_never_seen_to_let_go() -> None:
    turns = HeaterTurns()
    water = Water()
    water.cut = True
    days_of(water, turns, 300)
    assert turns.top is None and turns.with_lamp(BEGAN + 200 * MINUTE, USUAL) is None
    water.cut = False  # its twin: the same water, heated again, and the heater is seen to let go
    days_of(water, turns, 2 * 1440, 300)
    assert turns.top is not None


# -- the detector ----------------------------------------------------------------------------------


def watched(minutes_before_cut: int, minutes_after: int) -> tuple[PowerDetector, list[tuple[int, bool]]]:
    """The lamp out and the heater with it while it heats; what stands at each minute after the cut."""
    tank = Tank("alcove", parse_settings(TEXT).tanks["alcove"])
    detector, water = PowerDetector(), Water()
    seen: list[tuple[int, bool]] = []
    cut_ms = -1
    n = 0
    while cut_ms < 0 or n * MINUTE + BEGAN < cut_ms + minutes_after * MINUTE:
        at = BEGAN + n * MINUTE
        celsius = water.minute()
        if cut_ms < 0 and n > minutes_before_cut and water.heating and 24.8 < water.celsius < 24.9:
            cut_ms, water.cut = at, True
        frame = Frame(at, at + MINUTE, celsius, None, None, 0.0 if water.cut else 6000.0, None, {})
        moment = Moment(frame, 0, 800.0, n % 5 == 0, set())
        moment.heat.floor, moment.heat.cooling_rate, moment.heat.slope = 24.6, USUAL, None
        moment.lamp.should_be_on, moment.lamp.on = True, not water.cut
        moment.lamp.out_since_ms = cut_ms
        stands = bool(detector.update(tank, moment))
        if cut_ms >= 0:
            seen.append(((at - cut_ms) // MINUTE, stands))
        n += 1
    return detector, seen


def test_lamp_and_heater_gone_together_is_told_within_the_half_hour() -> None:
    detector, seen = watched(2 * 1440, 180)
    first = next(minute for minute, stands in seen if stands)
    assert 20 <= first <= 35
    assert "began to cool" in detector.observations[1] and "24.8 °C" in detector.observations[1]
    # above what the heater holds for most of these hours, and dark all the while: not over
    assert all(stands for minute, stands in seen if minute >= first)


def test_over_when_the_lamp_is_lit_again() -> None:
    detector, _ = watched(2 * 1440, 60)
    tank = Tank("alcove", parse_settings(TEXT).tanks["alcove"])
    stands = []
    for n in range(25):
        at = BEGAN + n * MINUTE
        frame = Frame(at, at + MINUTE, 24.7, None, None, 6000.0, None, {})
        moment = Moment(frame, 0, 900.0, False, set())
        moment.heat.floor, moment.lamp.should_be_on, moment.lamp.on = 24.6, True, True
        stands.append(bool(detector.update(tank, moment)))
    assert stands[0] and not stands[-1]


def test_a_cut_seen_by_a_gap_is_over_when_reports_have_flowed_for_a_while() -> None:
    """The heater stays dead: that is an alarm of its own, which this one must not hold back for days."""
    tank, detector, water = Tank("alcove", parse_settings(TEXT).tanks["alcove"]), PowerDetector(), Water()
    stands: list[int] = []
    for n in range(1440 + 360):
        celsius = water.minute()
        water.cut = n >= 1000
        if 1000 <= n < 1120:
            continue  # no reports for two hours
        at = BEGAN + n * MINUTE
        frame = Frame(at, at + MINUTE, celsius, None, None, 6000.0, None, {})
        moment = Moment(frame, 0, 800.0, n % 5 == 0, set())
        moment.heat.floor, moment.heat.cooling_rate = 24.6, USUAL
        moment.lamp.should_be_on, moment.lamp.on = True, True
        if detector.update(tank, moment):
            stands.append(n)
    assert stands and stands[0] == 1120 and 60 < stands[-1] - stands[0] <= 91


@pytest.mark.parametrize(("fall", "told"), [(0.1, False), (0.25, True), (0.5, False), (1.5, False)])
def test_water_that_was_changed_in_a_gap_is_no_power_cut(fall: float, told: bool) -> None:
    """Half an hour without reports: unheated it cools by 0.2 °C, more is colder water."""
    tank, detector = Tank("alcove", parse_settings(TEXT).tanks["alcove"]), PowerDetector()
    for minute, celsius in ((0, 24.65), (30, 24.65 - fall)):
        at = BEGAN + minute * MINUTE
        frame = Frame(at, at + MINUTE, celsius, None, None, None, None, {})
        moment = Moment(frame, 0, 800.0, False, set())
        moment.heat.floor, moment.heat.cooling_rate = 24.6, USUAL
        stands = bool(detector.update(tank, moment))
    assert stands is told


# -- the numbers ----------------------------------------------------------------------------------


def test_every_number_has_a_name() -> None:
    assert bare_numbers(Path(numbers.__file__).parent.glob("*.py")) == []


def test_one_step_of_a_coarse_thermometer_is_no_outage() -> None:
    """Half degrees: over a gap of an hour it shows one step less. A fall of two is one."""
    tank = Tank("alcove", parse_settings(TEXT).tanks["alcove"])
    for step, fall, cut in ((0.5, 0.5, False), (0.5, 1.0, True), (0.01, 0.5, True)):
        detector = PowerDetector()
        for at, celsius in ((BEGAN, 25.0), (BEGAN + 60 * MINUTE, 25.0 - fall)):
            frame = Frame(at, at + MINUTE, celsius, None, None, 6000.0, None, {})
            sensors = {"temperature": Sensor(step=step, interval_ms=MINUTE)}
            moment = Moment(frame, 0, 800.0, False, set(), sensors=sensors)
            moment.heat.floor, moment.heat.cooling_rate = 24.9, -0.6
            found = detector.update(tank, moment)
        assert bool(found) is cut
