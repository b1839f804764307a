"""Water that the day moves: sun on a tub, and a fan in weather.

Days are made up; figures are common practice, no source.
"""

from __future__ import annotations

import math
import random

import pytest

from rushlight.analysis.detectors.heat.cooler_stopped import CoolerStopped
from rushlight.analysis.detectors.heat.day_ahead import day_brings
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.heat.test_cooler_limits import TURN, untaught
from tests.analysis.detectors.heat.test_heater_limits import BEGAN, MINUTE, balance

HIGH = 26.5


def rising(rate: float, until: float, since: float = 6.0) -> DailyProfile:
    """Each day it rises by so many °C/h between two hours of the day, and is at rest else."""
    profile = DailyProfile()
    for minute in range(0, 1440 + 60, 5):
        hour = minute % 1440 / 60
        profile.add(minute % 1440, 20 + rate * min(max(hour - since, 0), until - since), True)
    return profile


def brings(profile: DailyProfile | None, hour: float, speed: float = 1.0) -> float:
    return day_brings(profile, Window(37, [BEGAN], [20.0]), hour * 60, speed)


def test_a_rise_that_comes_to_rest_by_noon_goes_half_as_far() -> None:
    """The integral of a slope that falls evenly to nothing; and the half degree of a thermometer."""
    profile = rising(0.4, 12)
    assert brings(profile, 10.75) == pytest.approx(1.5 / 2 + 0.5)  # in steps of half an hour
    assert brings(profile, 10.75, 2.0) == pytest.approx(1.5 + 0.5)
    assert brings(profile, 7.0) == pytest.approx(3.0 / 2 + 0.5)  # three hours are looked ahead


def test_where_the_day_says_nothing() -> None:
    assert brings(rising(0.4, 12), 14.0) == math.inf  # at this hour the water is at rest
    assert brings(rising(0.32, 12), 9.0) == math.inf  # less than 2 °C in all
    assert brings(rising(0.36, 12), 9.0) < 3.0
    assert brings(rising(0.36, 12), 11.2, 1.2) < 3.0  # 0.12 °C more
    assert brings(rising(0.36, 12), 11.3, 1.2) == math.inf
    assert brings(DailyProfile(), 10.5) == brings(None, 10.5) == math.inf


def test_what_has_risen_as_each_day_goes_on_as_each_day() -> None:
    """A usual day times one factor; the half degree of a thermometer beside it."""
    at_end = 12.25  # both ends of the last hour are the middles of half-hours, the newer one is at rest
    assert brings(rising(0.4, 12), at_end, 0.6) == pytest.approx(0.5, abs=0.01)
    assert brings(rising(0.4, 12), 11.25, 1.0) == pytest.approx(1.0 / 2 + 0.5)  # the parabola is less
    assert brings(rising(0.4, 12), 11.75, 1.0) == pytest.approx(0.25 * 1.0 + 0.5, abs=0.05)
    assert brings(rising(0.4, 12), 11.75, 1.22) == math.inf  # more than three times as fast
    assert brings(rising(0.4, 12), 13.25) == math.inf  # at this hour it rests


def today(days: int, until: float, rate: float, since: float = 6.0) -> tuple[DailyProfile, Window]:
    """Days that rise by 0.4 °C/h from 6 to 12 o'clock, the newest by `rate`, beginning at `since`."""
    profile, window = DailyProfile(), Window(37)
    for minute in range(0, (days - 1) * 1440 + round(until * 60) + 5, 5):
        hour, newest = minute % 1440 / 60, minute >= (days - 1) * 1440
        begin, pace = (since, rate) if newest else (6.0, 0.4)
        celsius = 20 + pace * min(max(hour - begin, 0), 6)
        profile.add(minute % 1440, celsius, True)
        window.add(BEGAN + minute * MINUTE, celsius)
    return profile, window


@pytest.mark.parametrize("days", [3, 6])
def test_todays_own_water_is_no_usual_one(days: int) -> None:
    """It is learnt from within the half-hour, and is taken out of the usual again."""
    profile, window = today(days, 11.75, 0.8)
    assert day_brings(profile, window, 705, 0.8) == pytest.approx(0.25 * 0.8 + 0.5, abs=0.05)
    profile, window = today(days, 15.0, 1.2, since=13.0)  # the twin: at this hour it rises on no other day
    assert day_brings(profile, window, 900, 1.2) == math.inf


class Tub:
    """Sun from 7 to 13 o'clock, 5 °C on a usual day, and loss with 14 h to air of 15 °C.

    `wall`: until 13 o'clock at its full strength, then behind a wall.
    """

    def __init__(self, wall: bool = False) -> None:
        text = f"""
[tanks.tub]
volume_litres = 200
timezone = "UTC"
report_every_s = 60
[tanks.tub.livestock]
temperature_low_c = 8.0
temperature_high_c = {HIGH}
"""
        self.watch = TankWatch("tub", parse_settings(text).tanks["tub"])
        self.celsius, self.minute, self.chance, self.wall = 18.0, 0, random.Random(3), wall

    def run(self, hours: float, sun: float = 1.0, other: float = 0.0) -> list[Event]:
        """Sun as a share of the usual, other heat in °C/h; the events of the limits."""
        out: list[Event] = []
        for _ in range(round(hours * 60)):
            hour = self.minute % 1440 / 60
            shines = math.sin((hour - 7) / 6 * math.pi) if 7 < hour < 13 else 0.0
            if self.wall and hour > 10:
                shines = 1.0 if hour < 13 else 0.0
            self.celsius += ((15.0 - self.celsius) / 14 + 1.35 * sun * shines + other) / 60
            at = 1_780_272_000_000 + self.minute * 60_000
            value = round(self.celsius + self.chance.gauss(0, 0.02), 3)
            events = self.watch.feed(Reading("tub", "temperature", at, value, Flag.PASS))
            out += [one for one in events if one.alarm == "temperature-high" and one.event == "raised"]
            self.minute += 1
        return out


def test_a_clear_morning_is_over_at_noon() -> None:
    tub = Tub()
    assert tub.run(5 * 24) == []
    assert tub.run(24, sun=1.6) == [] and tub.celsius < HIGH
    assert tub.run(2 * 24) == []
    tub.run(14)
    raised = tub.run(6, other=1.8)  # the twin: heat that comes in the afternoon
    assert raised and raised[0].value is not None and raised[0].value < HIGH - 0.5


def test_a_wall_before_the_sun_ends_the_rise() -> None:
    """Its rise ends within minutes, at its fastest, at the same hour each day."""
    tub = Tub(wall=True)
    assert tub.run(5 * 24) == []
    assert tub.run(24, sun=1.35) == [] and tub.celsius < HIGH
    assert tub.run(2 * 24) == []
    tub.run(12)
    raised = tub.run(4, other=1.8)  # the twin: it does not end
    assert raised and raised[0].value is not None and raised[0].value < HIGH


def taught(room: float, fan: bool = True) -> bool:
    stopped = CoolerStopped(bent=-1)
    heat = balance(300, temperature=25.2, slope=0.1, room=room)
    return stopped._taught(heat, fan, TURN | {"copes_with_room_c": 28.0})[0]


def test_a_fan_in_a_warmer_room_than_it_has_coped_with_is_given_time() -> None:
    """Air that is warmer, and no drier, takes less from the water."""
    assert taught(28.15) and not taught(28.25)
    assert taught(28.25, fan=False)  # a chiller takes what it takes


@pytest.mark.parametrize(("room", "tells"), [(31.2, True), (31.4, False)])
def test_a_chiller_makes_up_for_a_warmer_room(room: float, tells: bool) -> None:
    """A third of 1.0 °C/h times 10 h, 3.3 °C more than the 28 °C that it has coped with."""
    known = TURN | {"copes_with_room_c": 28.0}
    chiller, fan = CoolerStopped(), CoolerStopped()
    for minute in range(0, 65, 5):
        late = chiller.overdue(known, BEGAN + minute * MINUTE, 26.0, 0.3, room, False, 10.0)
        assert not fan.overdue(known, BEGAN + minute * MINUTE, 26.0, 0.3, room, True, 10.0)
    assert late is tells


@pytest.mark.parametrize(("slope", "tells"), [(0.02, False), (0.06, True)])
def test_a_chiller_that_takes_its_part_is_at_work(slope: float, tells: bool) -> None:
    """Room and lamp make 0.44 °C/h; four tenths of the usual bend, 0.4, are gone, or not."""
    stopped = CoolerStopped(bent=2)
    for minute in range(0, 65, 5):
        heat = balance(minute, temperature=26.0, slope=slope, room=30.0, explained=0.44, tau_h=10.0)
        said = stopped._taught(heat, False, TURN | {"copes_with_room_c": 28.0})[0]
    assert said is tells


def test_a_week_has_a_hot_day() -> None:
    calm = (26.0,) * 7
    assert untaught(26.45, highs=calm) == 20 and untaught(26.35, highs=calm) is None
    assert untaught(26.45, highs=(26.5, *calm[1:])) is None  # a week ago
    assert untaught(26.45, highs=(26.5, *calm)) == 20  # more than a week ago
