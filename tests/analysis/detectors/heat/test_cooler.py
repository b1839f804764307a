"""A cooler's memory, on made-up courses of the water's temperature.

The courses are a thermostat's saw tooth and a daily sine; figures are common practice, no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from rushlight.analysis.detectors.heat.cooler_memory import CoolerMemory
from rushlight.analysis.detectors.heat.cooler_stopped import CoolerStopped
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import CoolerSettings, parse_settings

STEP_MS = 300_000
BEGAN = 1_772_330_400_000
COOLER = CoolerSettings(setpoint_c=25.0, kind="fan")


def saw_tooth(memory: CoolerMemory, cycles: int, room: float | None) -> int:
    """24.6 to 25.2 °C, two hours up and one down; returns the time behind the last value."""
    window = Window(37)
    now = BEGAN
    for step in range(36 * cycles):
        place = step % 36
        value = 24.6 + 0.6 * place / 24 if place <= 24 else 25.2 - 0.6 * (place - 24) / 12
        window.add(now, value)
        memory.learn(COOLER, window, room)
        now += STEP_MS
    return now


def test_the_turning_point_and_the_room_are_learnt() -> None:
    memory = CoolerMemory()
    saw_tooth(memory, 6, 26.5)
    known = memory.learnt
    assert known is not None
    assert abs(known["turns_at_c"] - 25.2) < 0.03
    assert known["copes_with_room_c"] == 26.5


def test_a_daily_wave_is_no_turning_point() -> None:
    memory = CoolerMemory()
    window = Window(37)
    for step in range(288 * 4):
        window.add(BEGAN + step * STEP_MS, 24.7 + 1.0 * math.sin(2 * math.pi * step / 288))
        memory.learn(COOLER, window, 26.5)
    assert memory.learnt is None
    saw_tooth(memory, 6, 26.5)  # the twin: the same memory learns from a cooler's turns
    assert memory.learnt is not None


def late(memory: CoolerMemory, now: int, slope: float, room: float | None, minutes: int = 91) -> list[bool]:
    """Whether a turn is overdue, every five minutes of water at 25.6 °C."""
    stopped, known = CoolerStopped(), memory.learnt
    assert known is not None
    return [
        stopped.overdue(known, now + minute * 60_000, 25.6, slope, room) for minute in range(0, minutes, 5)
    ]


def test_water_that_stays_above_the_turning_point_is_overdue_after_an_hour() -> None:
    memory = CoolerMemory()
    now = saw_tooth(memory, 6, 26.5)
    assert late(memory, now, 0.02, 26.0).index(True) == 12


def test_a_room_warmer_than_it_ever_coped_with_is_no_fault_of_the_cooler() -> None:
    memory = CoolerMemory()
    now = saw_tooth(memory, 6, 26.5)
    assert not any(late(memory, now, 0.02, 28.0, 300))
    assert any(late(memory, now, 0.02, 26.5, 300))  # the twin: a room that it has coped with


def test_water_that_is_being_cooled_is_not_overdue() -> None:
    memory = CoolerMemory()
    now = saw_tooth(memory, 6, None)
    assert not any(late(memory, now, -0.3, None, 300))
    assert any(late(memory, now, -0.05, None, 300))  # the twin: it falls no faster than by itself


def test_a_bump_elsewhere_is_no_turning_point() -> None:
    memory = CoolerMemory()
    saw_tooth(memory, 6, None)
    memory.turns += [24.7, 24.75, 25.7]
    known = memory.learnt
    assert known is not None and abs(known["turns_at_c"] - 25.2) < 0.03


# -- a whole tank: dT/dt = (T_room - T) / tau - cooler, tau 12 h (lumped capacitance, as in test_heater.py)


class Porch:
    """A tank whose cooler takes `pull` °C an hour from 25.5 °C down to 25.0 °C."""

    def __init__(self, kind: str, room: Callable[[int], float], pull: float, measured: bool) -> None:
        text = '[tanks.porch]\nvolume_litres = 60\ntimezone = "Europe/Lisbon"\nreport_every_s = 60\n'
        text += "[tanks.porch.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 30\n"
        text += f'[tanks.porch.cooler]\nkind = "{kind}"\nsetpoint_c = 25.2\n'
        self.watch = TankWatch("porch", parse_settings(text).tanks["porch"])
        self.room, self.pull, self.measured = room, pull, measured
        self.celsius, self.minute, self.on = 25.0, 0, False
        self.chance = random.Random(3)

    def run(self, minutes: int) -> list[Event]:
        events: list[Event] = []
        for _ in range(minutes):
            self.on = self.celsius > 25.5 or (self.on and self.celsius > 25.0)
            room = self.room(self.minute)
            self.celsius += ((room - self.celsius) / 12 - self.pull * self.on) / 60
            at = BEGAN + self.minute * 60_000 + 20_000
            seen = {"temperature": self.celsius}
            if self.measured:
                seen["room_temperature"] = room
            for quantity, value in seen.items():
                value += self.chance.gauss(0, 0.02)
                events += self.watch.feed(Reading("porch", quantity, at, value, Flag.PASS))
            self.minute += 1
        return events


def warm(minute: int) -> float:
    return 27.5 + 1.5 * math.sin(2 * math.pi * (minute - 720) / 1440)


def names(events: list[Event], kind: str = "raised") -> list[str]:
    return [event.alarm for event in events if event.event == kind and event.alarm == "cooling-not-cooling"]


@pytest.mark.parametrize("kind", ["fan", "chiller"])
@pytest.mark.parametrize("measured", [True, False])
def test_a_cooler_that_stops_is_one_alarm_until_it_turns_the_water_again(kind: str, measured: bool) -> None:
    tank = Porch(kind, warm, 0.7, measured)
    assert names(tank.run(3 * 1440)) == []
    pull, tank.pull = tank.pull, 0.0
    events = tank.run(1440)
    assert names(events) == ["cooling-not-cooling"] and names(events, "cleared") == []
    (event,) = (e for e in events if e.event == "raised" and e.alarm == "cooling-not-cooling")
    assert 2 <= len(event.observations) <= 3 and event.rule_out
    assert tank.celsius < 30.0
    tank.pull = pull
    events = tank.run(1440)
    assert names(events, "cleared") == ["cooling-not-cooling"] and names(events) == []


def test_a_fan_at_work_on_a_hot_afternoon_is_no_fault() -> None:
    """The fourth day's room is too hot for the fan: the water rises on, but bends where the fan comes on."""
    tank = Porch(
        "fan", lambda minute: warm(minute) + (5.0 if 3 * 1440 < minute < 3.5 * 1440 else 0.0), 0.35, True
    )
    assert names(tank.run(5 * 1440)) == []
    tank.pull = 0.0  # the twin: it stops
    assert names(tank.run(1440)) == ["cooling-not-cooling"]


def test_a_cold_room_is_no_matter_of_the_cooler() -> None:
    """Water 5 °C and more above the room is heated by something."""
    tank = Porch("fan", warm, 0.7, True)
    tank.run(3 * 1440)
    tank.room, tank.pull, tank.celsius = (lambda minute: 19.0), -0.75, 25.6
    assert names(tank.run(600)) == []
    tank.room, tank.pull = warm, 0.7
    tank.run(2 * 1440)
    tank.pull = 0.0  # the twin: a warm room, and it stops
    assert names(tank.run(1440)) == ["cooling-not-cooling"]
