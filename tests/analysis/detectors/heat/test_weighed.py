"""A heater's fault by weighing hypotheses, on tanks computed by the lumped-capacitance method.

    dT/dt = (T_room - T) / tau + P / C

(Incropera & DeWitt, *Fundamentals of Heat and Mass Transfer*, transient conduction; from memory), with 4.186
kJ/(kg K) for water. Sizes of heaters, rooms and thermostats: common practice, no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import msgspec
import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat import likelihood_numbers
from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_test import Course, noise_of, welded_verdict
from rushlight.analysis.detectors.heat.likelihood_numbers import WEIGHED
from rushlight.analysis.detectors.heat.weigh import line_of, weigh
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
DAY = 1440
BEGAN = 1_768_435_200_000  # 2026-01-15T00:00Z
TOO_WARM, TOO_COLD = 27.0, 20.0


@dataclass
class Landing:
    """39 L with a heater of 150 W and a thermostat of 23.3 to 23.7 °C, in a room of 19 °C.

    One report in `every` minutes. The settings don't say how strong the heater is.
    """

    every: int = 1
    watts: float = 150.0
    litres: float = 39.0
    measured_room: bool = True
    meter: bool = False
    tau_h: float = 12.0
    celsius: float = 23.5
    power: float = 1.0
    stuck: bool = False
    noise: float = 0.02
    step: float = 0.0625
    room: Callable[[int], float] = lambda minute: 19.0
    minute: int = 0
    calls: bool = False
    lets_go_c: float = 23.7
    chance: random.Random = field(default_factory=lambda: random.Random(11))

    def __post_init__(self) -> None:
        text = f'[tanks.landing]\nvolume_litres = {self.litres:g}\ntimezone = "Europe/Lisbon"\n'
        text += f"report_every_s = {60 * self.every}\n[tanks.landing.livestock]\n"
        text += f"temperature_low_c = {TOO_COLD}\ntemperature_high_c = {TOO_WARM}\n"
        text += "[tanks.landing.heater]\nsetpoint_c = 23.5\n"
        self.watch = TankWatch("landing", parse_settings(text).tanks["landing"])

    def run(self, minutes: int) -> list[Event]:
        """So many minutes; the alarms' events."""
        events: list[Event] = []
        for _ in range(minutes):
            self.calls = self.celsius < 23.3 or (self.calls and self.celsius < self.lets_go_c)
            heating = self.power if self.calls or self.stuck else 0.0
            pace = self.watts * 3600 / (4186 * self.litres)
            room = self.room(self.minute)
            self.celsius += ((room - self.celsius) / self.tau_h + pace * heating) / 60
            self.minute += 1
            if self.minute % self.every:
                continue
            at = BEGAN + self.minute * MINUTE + 20_000
            seen = {"temperature": self.celsius, "room_temperature": room}
            if not self.measured_room:
                del seen["room_temperature"]
            seen = {name: self._read(value) for name, value in seen.items()}
            if self.meter:
                seen["heater_power"] = self.watts * heating if heating else 0.3
            for quantity, value in seen.items():
                events += self.watch.feed(Reading("landing", quantity, at, value, Flag.PASS))
        return events

    def _read(self, celsius: float) -> float:
        return round((celsius + self.chance.gauss(0, self.noise)) / self.step) * self.step


def raised(events: list[Event]) -> list[Event]:
    return [event for event in events if event.event == "raised"]


def until_told(tank: Landing, within: int) -> tuple[int, Event]:
    """Minutes until the first alarm, and the alarm."""
    for minute in range(within):
        told = raised(tank.run(1))
        if told:
            return minute, told[0]
    raise AssertionError(f"nothing was raised within {within} min; the water is at {tank.celsius:.2f} °C")


# -- whole tanks ------------------------------------------------------------------------------------


@pytest.mark.parametrize("every", [1, 5])
@pytest.mark.parametrize("room", [True, False], ids=["room probe", "water only"])
def test_a_strong_heater_in_little_water_is_told_by_name_well_before_the_limit(
    every: int, room: bool
) -> None:
    """It takes the water from 23.5 to 26.5 °C in less than an hour and a half."""
    tank = Landing(every, measured_room=room)
    assert raised(tank.run(3 * DAY)) == []
    tank.stuck = True
    _, told = until_told(tank, 180)
    assert told.alarm == "heater-stuck-on"
    assert tank.celsius < TOO_WARM - 1.0


@pytest.mark.parametrize("meter", [True, False], ids=["meter", "room probe"])
def test_a_dead_heater_is_told_within_the_hour_in_which_it_should_have_come_on(meter: bool) -> None:
    tank = Landing(watts=40.0, room=lambda minute: 18.5, meter=meter)
    assert raised(tank.run(3 * DAY)) == []
    while tank.calls or tank.celsius > 23.5:  # in the middle of a fall
        tank.run(1)
    tank.power = 0.0
    while not tank.calls:
        tank.run(1)
    minutes, told = until_told(tank, 120)
    assert told.alarm == "heater-not-heating" and minutes < 60
    assert "next likeliest" in told.cause


def test_a_heater_that_gives_up_half_way_is_told_before_its_water_is_cold() -> None:
    """It has come on and let go far below where it always lets go; the twin lets go where it should."""
    tank = Landing(watts=40.0, lets_go_c=24.3)
    assert raised(tank.run(3 * DAY)) == []
    while not (tank.calls and 23.7 < tank.celsius < 23.75):
        assert raised(tank.run(1)) == []
    tank.power = 0.0
    minutes, told = until_told(tank, 120)
    assert told.alarm == "heater-not-heating" and minutes <= 100 and tank.celsius > 23.0


@pytest.mark.parametrize("meter", [True, False], ids=["meter", "room probe"])
def test_a_bump_on_the_way_down_is_no_heater_that_gave_up(meter: bool) -> None:
    """A tenth of a degree of warmer water, far above where the heater comes on."""
    tank = Landing(watts=40.0, lets_go_c=24.3, meter=meter)
    assert raised(tank.run(3 * DAY)) == []
    while tank.calls or tank.celsius > 23.9:
        tank.run(1)
    for _ in range(5):
        tank.celsius += 0.03
        assert raised(tank.run(1)) == []
    assert raised(tank.run(150)) == []
    tank.power = 0.0  # the twin
    assert until_told(tank, 600)[1].alarm == "heater-not-heating"


def test_a_draught_that_outdoes_the_heater_is_told_as_no_dead_one_on_its_way_up() -> None:
    """It heats, and the water stays half way up: the room at 13.5 °C takes as much as it gives."""
    tank = Landing(watts=40.0, lets_go_c=24.3)
    assert raised(tank.run(3 * DAY)) == []
    while not (tank.calls and 23.7 < tank.celsius < 23.75):
        tank.run(1)
    tank.room = lambda minute: 13.5
    assert raised(tank.run(180)) == []
    tank.power = 0.0  # the twin
    assert until_told(tank, 600)[1].alarm == "heater-not-heating"


def test_another_days_lamp_and_window_are_no_fault_of_the_heater() -> None:
    """The room falls by 3 °C within an hour, and comes back: more heat is needed, and given."""
    tank = Landing(watts=40.0, room=lambda minute: 16.0 if 3 * DAY < minute < 3 * DAY + 300 else 19.0)
    assert raised(tank.run(5 * DAY)) == []
    tank.power = 0.0  # the twin
    assert until_told(tank, 600)[1].alarm == "heater-not-heating"


def test_a_coarse_thermometer_waits_and_tells_all_the_same() -> None:
    tank = Landing(watts=40.0, step=0.5)
    assert [e.alarm for e in raised(tank.run(4 * DAY)) if e.alarm.startswith("heater")] == []
    tank.stuck = True
    names = [event.alarm for event in raised(tank.run(DAY))]
    assert "heater-stuck-on" in names or "temperature-high" in names


def test_what_is_learnt_of_the_cycle_survives_and_stays_small() -> None:
    tank = Landing(watts=40.0)
    tank.run(4 * DAY)
    heat = tank.watch.of(TemperatureDetector)
    assert heat.learnt["lets_go_at_c"] == pytest.approx(23.7, abs=0.08)
    pace = 40.0 * 3600 / (4186 * 39.0)
    assert heat.learnt["heats_c_per_h"] == pytest.approx(pace, rel=0.15)
    assert len(msgspec.json.encode(heat.cycle)) < 700


# -- the weighing -----------------------------------------------------------------------------------


def course(
    slope: float, minutes: int = 45, step_at: int = 999, step: float = 0.0
) -> list[tuple[float, float]]:
    """(hours before now, °C) each five minutes, with one step."""
    chance = random.Random(5)
    return [
        ((n - minutes) / 60, 23.0 + slope * n / 60 + (step if n >= step_at else 0.0) + chance.gauss(0, 0.01))
        for n in range(0, minutes + 1, 5)
    ]


@pytest.mark.parametrize(
    ("points", "likeliest"),
    [
        (course(-0.4), "dead"),
        (course(0.3), "works"),
        (course(0.3, step_at=20, step=-0.5), "poured"),
        (course(-4.0, minutes=15), "poured"),
    ],
    ids=["falls on", "rises", "a step", "a bucket"],
)
def test_each_course_has_its_own_hypothesis(points: list[tuple[float, float]], likeliest: str) -> None:
    line = line_of(points, 0.02)
    assert line is not None
    nats = weigh(line, {"works": [0.3], "dead": [-0.4]}, 0.05, 0.3, {})
    assert max(nats, key=nats.__getitem__) == likeliest


@pytest.mark.parametrize(("slope", "told"), [(1.0, True), (-0.6, False)], ids=["rises", "falls"])
def test_water_that_falls_faster_than_it_would_without_heat_has_no_stuck_heater(
    slope: float, told: bool
) -> None:
    """A fan that comes back after a hot day. What a heater gives is known least, which is no sign of it."""
    window = Window(60)
    for n in range(20):
        window.add(BEGAN + n * 5 * MINUTE, 26.6 + slope * (n - 19) / 12)
    known: dict[str, Any] = dict.fromkeys(HeatNow.__struct_fields__)
    known |= {"now": window.times[-1], "temperature": window.values[-1], "room": 26.0, "learnt": True}
    heat = HeatNow(**known | {"floor": 21.7, "ceiling": 25.25, "full": 0.0, "rate": 1.0, "explained": 0.0})
    frame = Frame(heat.now, heat.now + MINUTE, None, None, None, None, None, {})
    about = Moment(frame, 0, 800.0, True, set())
    about.lamp.on = False
    verdict = welded_verdict(
        about, heat, HeaterMemory(), HeaterCycle(), Course(window, 0.02, -1), 0.56, usual=25.0
    )
    assert (verdict is not None and verdict.told) is told


def test_the_longer_the_course_the_surer() -> None:
    """A slope's variance from noise alone falls with the cube of the time (least squares, even spacing)."""
    short, long = line_of(course(-0.4, 20), 0.02), line_of(course(-0.4, 80), 0.02)
    assert short is not None and long is not None
    assert short.variance / long.variance == pytest.approx(17 * (17**2 - 1) / (5 * (5**2 - 1)), rel=1e-6)
    assert line_of(course(-0.4, 10), 0.02) is None


def test_the_threshold_follows_from_the_mean_time_between_false_alarms() -> None:
    """One trial each five minutes for two years: a ratio of 210 240 (Wald 1945; from memory)."""
    assert math.exp(WEIGHED.enough()) == pytest.approx(2 * 365 * 24 * 12)
    rarer = msgspec.structs.replace(WEIGHED, between_h=10 * WEIGHED.between_h)
    assert rarer.enough() - WEIGHED.enough() == pytest.approx(math.log(10))


def test_chance_alone_passes_the_threshold_less_often_than_stated() -> None:
    """A heater at work, noise of 0.02 °C and a model that is off by its error: 3000 courses, and the twin."""
    chance = random.Random(3)
    passed = {"works": 0, "dead": 0}
    for truth, slope in (("works", 0.3), ("dead", -0.4)):
        for _ in range(3000):
            own = slope + chance.gauss(0, 0.05)
            points = [(n / 12, 23.0 + own * n / 12 + chance.gauss(0, 0.02)) for n in range(10)]
            line = line_of(points, 0.02)
            assert line is not None
            nats = weigh(line, {"works": [0.3], "dead": [-0.4]}, 0.05, 0.3, {})
            passed[truth] += nats["dead"] - nats["works"] > WEIGHED.enough()
    assert passed["works"] == 0 and passed["dead"] > 2990


def test_a_thermometers_steps_do_not_average_out() -> None:
    fine = Sensor(step=0.0625, interval_ms=10_000, noise=0.05)
    assert noise_of(fine) == pytest.approx(max(0.02, 0.0625 / math.sqrt(12)))
    coarse = Sensor(step=0.5, interval_ms=10_000, noise=0.15)
    assert noise_of(coarse) == pytest.approx(0.5 / math.sqrt(12))
    rare = Sensor(step=0.0625, interval_ms=300_000, noise=0.05)
    assert noise_of(rare) == pytest.approx(0.05)


# -- the cycle --------------------------------------------------------------------------------------


def follow(cycle: HeaterCycle, values: list[float]) -> list[float]:
    """Where it was seen to come on."""
    seen = [cycle.add(BEGAN + n * 300_000, value, 0.02, 0.8, True) for n, value in enumerate(values)]
    return [one for one in seen if one is not None]


def test_a_days_own_wave_is_no_thermostat() -> None:
    wave = [24.5 + 1.2 * math.sin(2 * math.pi * n / 288) for n in range(3 * 288)]
    cycle = HeaterCycle()
    assert follow(cycle, wave) == [] and cycle.top is None and cycle.heat is None
    teeth = [24.0 + (0.05 * (n % 16) if n % 16 <= 10 else 0.5 - 0.1 * (n % 16 - 10)) for n in range(160)]
    cycle = HeaterCycle()  # the twin: up in 50 minutes, down in 25
    assert follow(cycle, teeth)
    assert cycle.top is not None and cycle.top[0] == pytest.approx(24.5, abs=0.06)


def test_every_number_of_it_says_what_it_is() -> None:
    for struct in (likelihood_numbers.WEIGHED, likelihood_numbers.CYCLE):
        assert all(number.meaning for number in struct.entries())


def test_a_heater_that_lets_go_higher_than_its_dial_says_is_not_stuck() -> None:
    """Set to 23.5, it lets go at 25.15: on the first day nobody knows that. Stuck, it is told."""
    tank = Landing(watts=60.0, lets_go_c=25.15)
    assert raised(tank.run(8 * 60)) == []
    tank.stuck = True
    assert until_told(tank, 6 * 60)[1].alarm == "heater-stuck-on"


def test_a_lamp_in_a_tank_that_keeps_its_heat_is_no_stuck_heater_on_the_first_day() -> None:
    """How fast a tank loses its heat is a guess then. With all of the heater's power it is told."""
    tank = Landing(celsius=25.8, watts=60.0, power=0.35, stuck=True, room=lambda minute: 22.0)
    assert raised(tank.run(4 * 60)) == []
    tank.power = 1.0
    assert until_told(tank, 4 * 60)[1].alarm in ("heater-stuck-on", "temperature-high")
