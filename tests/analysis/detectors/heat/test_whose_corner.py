"""Whose doing a turn of the water is: the heater's, a cooler's that switches off, or the day's.

Tanks are made up: dT/dt = (T_room - T) / tau (lumped capacitance). Common practice, no source.
"""

from __future__ import annotations

import math
import random

import pytest

from rushlight.analysis.detectors.heat.cooler_memory import CoolerMemory
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.heat.test_heater_limits import BEGAN, MINUTE, unheated, welded
from tests.analysis.detectors.heat.test_weighed_limits import FLOOR, cold, nats


@pytest.mark.parametrize(("minutes", "cooled"), [(145, True), (155, False)])
def test_a_cooled_fall_is_a_third_of_the_bend(minutes: int, cooled: bool) -> None:
    """1 °C in three hours, the half-hour counted until the turn was seen: a third of a bend of 1 °C/h."""
    memory = CoolerMemory(turns=[25.0], bends=[1.0], lowest=24.0, last_turn_ms=BEGAN)
    assert memory.made_corner(BEGAN + minutes * MINUTE) is cooled
    assert not CoolerMemory().made_corner(BEGAN)  # of which nothing is known


class Attic:
    """A chiller from 25.4 °C down to 24.4 °C, and a heater that comes on at 24.0 °C, by its dial too."""

    def __init__(self, room: float) -> None:
        text = '[tanks.attic]\nvolume_litres = 60\ntimezone = "UTC"\nreport_every_s = 60\n'
        text += "[tanks.attic.livestock]\ntemperature_low_c = 20\ntemperature_high_c = 30\n"
        text += "[tanks.attic.heater]\nsetpoint_c = 24.0\nwatts = 60\n"
        text += '[tanks.attic.cooler]\nkind = "chiller"\nsetpoint_c = 25.2\n'
        self.watch = TankWatch("attic", parse_settings(text).tanks["attic"])
        self.celsius, self.room, self.minute = 24.8, room, 0
        self.cools = self.heats = False
        self.chance = random.Random(5)

    def run(self, days: int) -> list[str]:
        """The alarms that are raised."""
        out = []
        for _ in range(days * 1440):
            self.cools = self.celsius > 25.4 or (self.cools and self.celsius > 24.4)
            self.heats = self.celsius < 24.0 or (self.heats and self.celsius < 24.4)
            room = self.room - 3.5 * math.cos(2 * math.pi * self.minute / 1440)
            slope = (room - self.celsius) / 10 - 1.0 * self.cools + 0.8 * self.heats
            self.celsius += slope / 60
            at = BEGAN + self.minute * MINUTE
            value = round(self.celsius + self.chance.gauss(0, 0.01), 3)
            events = self.watch.feed(Reading("attic", "temperature", at, value, Flag.PASS))
            out += [one.alarm for one in events if one.event == "raised"]
            self.minute += 1
        return out

    @property
    def picks(self) -> list[float]:
        """Where the heater is held to have come on."""
        (heat,) = (one for one in self.watch.families if isinstance(one, TemperatureDetector))
        return heat.heater.picks


def test_where_a_cooler_switches_off_no_heater_came_on() -> None:
    warm = Attic(27.5)
    assert warm.run(4) == [] and warm.picks == []
    warm.room = 21.0  # the twin: a cold spell, and the heater at work
    warm.run(2)
    assert warm.picks and all(abs(celsius - 24.0) < 0.1 for celsius in warm.picks)


def test_a_cooler_says_that_rooms_are_warm() -> None:
    """Nothing is learnt yet: by 0.75 of the heater's pace, and without a cooler by 0.35."""
    assert welded(0.5, cooler_c=28.0, slope=0.76) == 15 and welded(0.5, cooler_c=28.0, slope=0.74) is None
    assert welded(0.5, slope=0.74) == 15


def test_turns_that_lie_apart_leave_doubt_where_it_comes_on() -> None:
    """The spread is 1.4826 times the middle distance: 0.15 °C; the level and the doubt count alike."""
    apart = 0.15 / 1.4826
    picks = HeaterMemory(picks=[FLOOR - apart, FLOOR, FLOOR + apart])
    sure = nats(cold(-1.0, 30))
    for minutes in (20, 25):
        beyond = minutes / 60
        level = beyond * beyond / (2 * 0.15 * 0.15)
        assert nats(cold(-1.0, minutes, picks)) == pytest.approx(2 * level, rel=0.01)
    assert sure > 12.3 > nats(cold(-1.0, 30, picks))
    assert nats(cold(-1.0, 45, picks)) > 12.3  # the twin: so far below it is no doubt


@pytest.mark.parametrize(("under", "seen"), [(0.38, None), (0.42, 15)])
def test_below_by_two_spreads_of_its_turns(under: float, seen: int | None) -> None:
    apart = 0.2 / 1.4826
    picks = HeaterMemory(picks=[24.0 - apart, 24.0, 24.0 + apart])
    assert unheated(under, picks, slope=-0.1) == seen
    assert unheated(under, HeaterMemory(picks=[24.0] * 3), slope=-0.1) == 15
