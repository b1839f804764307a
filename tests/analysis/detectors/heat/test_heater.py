"""The heater's alarms and the limits, on tanks computed by the lumped-capacitance method.

    dT/dt = (T_room - T) / tau + P / C

(Incropera & DeWitt, *Fundamentals of Heat and Mass Transfer*, transient conduction; from memory), with 4.186
kJ/(kg K) for water. Sizes of heaters, rooms and thermostats: common practice, no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_stuck import HeaterStuck
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import TankSettings, parse_settings
from tests.analysis.detectors.heat.slopes import Slopes

MINUTE = 60_000
DAY = 1440
BEGAN = 1_768_435_200_000  # 2026-01-15T00:00Z
LITRES, WATTS = 60.0, 60.0
PACE = WATTS * 3600 / (4186 * LITRES)  # °C an hour, 0.86
HEAT = {"heater-stuck-on", "heater-not-heating", "temperature-high", "temperature-low"}

Room = Callable[[float], float]  # minute since the beginning -> °C


def settings(low: float = 18.0, high: float = 29.0, heater: bool = True) -> TankSettings:
    text = '[tanks.alcove]\nvolume_litres = 60\ntimezone = "Europe/Lisbon"\nreport_every_s = 60\n'
    text += f"[tanks.alcove.livestock]\ntemperature_low_c = {low}\ntemperature_high_c = {high}\n"
    if heater:
        text += "[tanks.alcove.heater]\nsetpoint_c = 24.5\nwatts = 60\n"
    return parse_settings(text).tanks["alcove"]


def daily(middle: float, swing: float) -> Room:
    """Coolest towards six in the morning."""
    return lambda minute: middle + swing * math.sin(2 * math.pi * (minute - 720) / DAY)


@dataclass
class Alcove:
    """A tank with a thermostat of 24.2 to 24.8 °C; `power` is the share of its watts the heater gives."""

    room: Room
    meter: bool = False
    measured_room: bool = False
    celsius: float = 24.5
    tau_h: float = 12.0
    power: float = 1.0
    stuck: bool = False
    noise: float = 0.02
    minute: int = 0
    calls: bool = False
    watch: TankWatch = field(default_factory=lambda: TankWatch("alcove", settings()))
    chance: random.Random = field(default_factory=lambda: random.Random(7))

    def run(self, minutes: int, extra: float = 0.0) -> list[Event]:
        """So many minutes, with `extra` °C an hour of other heat; the alarms' events."""
        events: list[Event] = []
        for _ in range(minutes):
            self.calls = self.celsius < 24.2 or (self.calls and self.celsius < 24.8)
            heating = self.power if self.calls or self.stuck else 0.0
            room = self.room(self.minute)
            self.celsius += ((room - self.celsius) / self.tau_h + PACE * heating + extra) / 60
            at = BEGAN + self.minute * MINUTE + 20_000
            seen = {"temperature": self.celsius + self.chance.gauss(0, self.noise)}
            if self.meter:
                seen["heater_power"] = WATTS * heating if heating else 0.3  # the plug's own draw
            if self.measured_room:
                seen["room_temperature"] = room + self.chance.gauss(0, 0.02)
            for quantity, value in seen.items():
                events += self.watch.feed(Reading("alcove", quantity, at, value, Flag.PASS))
            self.minute += 1
        return events


def raised(events: list[Event]) -> list[str]:
    return [event.alarm for event in events if event.event == "raised" and event.alarm in HEAT]


def cleared(events: list[Event]) -> list[str]:
    return [event.alarm for event in events if event.event == "cleared" and event.alarm in HEAT]


EYES = pytest.mark.parametrize(
    ("meter", "room"),
    [(True, False), (False, True), (False, False)],
    ids=["meter", "room probe", "water only"],
)


# -- where it comes on ------------------------------------------------------------------------------


@EYES
def test_where_the_heater_comes_on_is_learnt(meter: bool, room: bool) -> None:
    tank = Alcove(daily(18.0, 1.0), meter, room)
    tank.run(DAY)
    assert tank.watch.of(TemperatureDetector).learnt["comes_on_at_c"] == pytest.approx(24.2, abs=0.1)


def test_a_days_own_trough_is_no_heater() -> None:
    memory = HeaterMemory()
    window = Window(37)
    for step in range(288 * 3):
        window.add(BEGAN + step * 300_000, 24.5 + 1.2 * math.sin(2 * math.pi * step / 288))
        assert not memory.corner(window, PACE, 5.0)
    assert memory.holds_from(24.5) == pytest.approx(24.5 - 1.3)
    celsius, calls = 24.5, False
    for step in range(288 * 3, 288 * 4):  # the twin: a heater holds it
        calls = celsius < 24.2 or (calls and celsius < 24.8)
        celsius += ((18.0 - celsius) / 12 + PACE * calls) / 12
        window.add(BEGAN + step * 300_000, celsius)
        memory.corner(window, PACE, 5.0)
    assert memory.holds_from(24.5) == pytest.approx(24.2, abs=0.1)


def test_the_meters_own_draw_is_no_heating() -> None:
    memory = HeaterMemory()
    for minute in range(300):
        memory.meter(BEGAN + minute * MINUTE, 0.3, 24.0, 0.3, calm=True)
    assert memory.picks == [] and memory.power(BEGAN + 300 * MINUTE) == pytest.approx(0.3)
    for minute in range(300, 360):  # the twin: it heats
        memory.meter(BEGAN + minute * MINUTE, 60.0, 24.0, 60.0, calm=True)
    assert memory.picks == [24.0] and memory.power(BEGAN + 360 * MINUTE) == pytest.approx(60.0)


def test_one_odd_reading_of_the_meter_is_no_peak() -> None:
    memory = HeaterMemory()
    for minute in range(300):
        memory.meter(BEGAN + minute * MINUTE, 1800.0 if minute == 90 else 60.0, 24.0, 60.0, calm=True)
    assert memory.peak_watts == 60.0
    for minute in range(300, 303):  # the twin: a stronger heater
        memory.meter(BEGAN + minute * MINUTE, 100.0, 24.0, 60.0, calm=True)
    assert memory.peak_watts == 100.0


# -- a probe that jitters ---------------------------------------------------------------------------


def test_a_jittering_thermometer_hides_no_cold_water() -> None:
    """It is told of as a probe fault; past a limit its level still counts."""
    tank = Alcove(daily(14.0, 0.5))
    tank.run(2 * DAY)
    tank.noise, tank.power = 0.2, 0.0
    events = [event for event in tank.run(2 * DAY) if event.event == "raised"]
    assert tank.celsius < 17.0
    assert {"probe-fault", "temperature-low"} <= {event.alarm for event in events}


# -- warm rooms -------------------------------------------------------------------------------------


@EYES
def test_a_room_that_warms_the_water_over_the_setpoint_is_no_fault(meter: bool, room: bool) -> None:
    tank = Alcove(daily(26.0, 3.0), meter, room, celsius=26.0)
    assert raised(tank.run(5 * DAY)) == []
    tank.room, tank.power = daily(16.0, 0.5), 0.0  # the twin: a cold room and a dead heater
    assert "heater-not-heating" in raised(tank.run(2 * DAY))


@EYES
def test_cooler_nights_after_warm_ones_are_no_dead_heater(meter: bool, room: bool) -> None:
    """The lowest water of the warm days, 25 °C, was the room's doing and nothing that the heater holds."""
    tank = Alcove(
        lambda minute: daily(26.5 if minute < 2 * DAY else 25.0, 2.0)(minute), meter, room, celsius=26.5
    )
    assert raised(tank.run(5 * DAY)) == []
    tank.room, tank.power = daily(16.0, 0.5), 0.0  # the twin: a cold room and a dead heater
    assert "heater-not-heating" in raised(tank.run(2 * DAY))


# -- it doesn't heat --------------------------------------------------------------------------------


@EYES
def test_a_dead_heater_is_one_alarm_until_it_heats_again(meter: bool, room: bool) -> None:
    """Three warm afternoons take the water back towards what the heater holds, and prove nothing."""
    tank = Alcove(daily(21.0, 2.5), meter, room)
    assert raised(tank.run(2 * DAY)) == []
    tank.power = 0.0
    events = tank.run(3 * DAY)
    assert raised(events) == ["heater-not-heating"] and cleared(events) == []
    (event,) = (e for e in events if e.event == "raised")
    assert 2 <= len(event.observations) <= 3 and event.rule_out
    tank.power = 1.0
    events = tank.run(DAY)
    assert cleared(events) == ["heater-not-heating"] and raised(events) == []


def test_a_heater_that_has_half_failed_is_told_by_its_meter() -> None:
    tank = Alcove(daily(16.0, 1.0), meter=True)
    tank.run(2 * DAY)
    tank.power = 0.3
    assert raised(tank.run(DAY // 2)) == ["heater-not-heating"]


def test_cold_water_poured_in_is_no_dead_heater() -> None:
    tank = Alcove(daily(18.0, 1.0), measured_room=True)
    tank.run(2 * DAY)
    events: list[Event] = []
    for _ in range(4):  # four buckets
        tank.celsius -= 0.2
        events += tank.run(4)
    assert raised(events + tank.run(DAY)) == []
    tank.power = 0.0  # the twin: it is dead
    assert "heater-not-heating" in raised(tank.run(DAY))


# -- it stays on ------------------------------------------------------------------------------------


@EYES
def test_a_stuck_heater_is_told_before_harm_and_once(meter: bool, room: bool) -> None:
    tank = Alcove(daily(18.0, 1.0), meter, room)
    assert raised(tank.run(2 * DAY)) == []
    tank.stuck = True
    events: list[Event] = []
    while tank.celsius < 26.5:
        events += tank.run(10)
    assert raised(events) == ["heater-stuck-on"]
    assert raised(tank.run(DAY)) == []  # the same alarm still stands
    tank.stuck = False
    assert "heater-stuck-on" in cleared(tank.run(DAY))


@pytest.mark.parametrize(
    ("cooler", "slope", "told"), [(False, 0.6, True), (True, 0.6, False), (True, 0.75, True)]
)
def test_a_cooler_that_stops_in_a_warm_room_is_not_the_heater(cooler: bool, slope: float, told: bool) -> None:
    """Small heaters are easily outdone by sun or pump: half of what they give is no sign of them there."""
    text = '[tanks.alcove]\nvolume_litres = 32\ntimezone = "UTC"\n'
    text += "[tanks.alcove.livestock]\ntemperature_low_c = 22\ntemperature_high_c = 29.5\n"
    text += "[tanks.alcove.heater]\nsetpoint_c = 26\nwatts = 15\n"
    text += '[tanks.alcove.cooler]\nkind = "chiller"\nsetpoint_c = 27.5\n' if cooler else ""
    tank = Tank("alcove", parse_settings(text).tanks["alcove"])
    stuck, found = HeaterStuck(), None
    for n in range(5):
        at = BEGAN + 5 * n * MINUTE
        frame = Frame(at, at + MINUTE, 28.2, None, None, None, None, {})
        heat = HeatNow(
            now=at, temperature=28.2, room=30.7, slope=slope, course=Slopes(9, quarter=slope, hour=slope),
            floor=25.9, ceiling=27.6, power=None, full=15.0, rate=tank.heating_rate_c_per_h, usual_fall=-0.4,
            usual_rise=0.5, learnt=True, unheated=0.12, explained=0.37,
        )  # fmt: skip
        found = stuck.finding(tank, Moment(frame, 0, 900.0, True, set()), heat, 27.0, [27.2, 28.2])
    assert (found is not None) is told


def test_warm_water_poured_in_is_no_stuck_heater() -> None:
    tank = Alcove(daily(18.0, 1.0), measured_room=True)
    tank.run(2 * DAY)
    events: list[Event] = []
    for _ in range(4):
        tank.celsius += 0.25
        events += tank.run(5)
    assert raised(events + tank.run(DAY)) == []
    tank.stuck = True  # the twin: it stays on
    assert "heater-stuck-on" in raised(tank.run(DAY))


# -- the limits -------------------------------------------------------------------------------------


def test_a_heat_wave_is_expected() -> None:
    tank = Alcove(lambda minute: daily(22.0, 1.0)(minute) + max(0.0, minute - 3 * DAY) / 60, celsius=22.0)
    tank.watch = TankWatch("alcove", settings(high=27.0, heater=False))
    tank.power = 0.0
    assert raised(tank.run(3 * DAY)) == []
    events: list[Event] = []
    while tank.celsius < 26.9:
        events += tank.run(10)
    assert "temperature-high" in raised(events)


def test_slow_cooling_is_expected_by_more_than_the_thermometer_is_off() -> None:
    """The usual thermometer may read 0.5 °C too high (DS18B20 data sheet)."""
    tank = Alcove(lambda minute: 21.0 - 0.05 * max(0.0, minute - 3 * DAY) / 60, celsius=21.0)
    tank.watch = TankWatch("alcove", settings(low=19.0, heater=False))
    tank.power = 0.0
    assert raised(tank.run(3 * DAY)) == []
    events: list[Event] = []
    while "temperature-low" not in raised(events):
        events += tank.run(5)
        assert tank.celsius > 19.4
    assert tank.celsius < 19.6


def test_a_tank_that_lives_near_its_limit_is_left_alone() -> None:
    """Every night to 0.3 °C above it."""
    tank = Alcove(daily(21.0, 2.0), celsius=21.0)
    tank.watch = TankWatch("alcove", settings(heater=False))
    tank.power = 0.0
    tank.run(DAY)
    lowest = 99.0
    for _ in range(DAY // 10):
        tank.run(10)
        lowest = min(lowest, tank.celsius)
    tank = Alcove(daily(21.0, 2.0), celsius=21.0)
    tank.watch = TankWatch("alcove", settings(low=round(lowest - 0.3, 2), heater=False))
    tank.power = 0.0
    assert raised(tank.run(8 * DAY)) == []
    tank.room = daily(17.0, 2.0)  # the twin: a colder room
    assert "temperature-low" in raised(tank.run(DAY))


def test_a_water_change_makes_no_alarm_of_cold() -> None:
    tank = Alcove(daily(18.0, 1.0), meter=True)
    tank.watch = TankWatch("alcove", settings(low=22.5))
    tank.run(2 * DAY)
    events: list[Event] = []
    for _ in range(6):
        tank.celsius -= 0.15
        events += tank.run(6)
    assert raised(events + tank.run(DAY)) == []
    tank.power = 0.0  # the twin: it is dead
    assert "heater-not-heating" in raised(tank.run(DAY))
