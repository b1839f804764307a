"""A scene: a tank, its room, what goes wrong and when, as chapters. `SCENE` is the one the demo plays.

The demo's tank is on a landing in a wooden house in Tartu, Estonia, in January. Twelve glowlight danios
and some shrimps live among crystalwort, moss and water trumpets. CO2 comes from a bottle of citric acid and
baking soda, which nothing can turn off at night. Tank, people and events are made up.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from rushlight.simulator.chemistry import ALKALINITY_PER_DKH
from rushlight.simulator.design import TankDesign
from rushlight.simulator.devices import Controls, DeviceDesign, Devices
from rushlight.simulator.faults import (
    Fault,
    air_stone,
    apply_faults,
    heater_dead,
    reactor_surge,
    timer_slipping,
)
from rushlight.simulator.probes import LightSensor, PhElectrode, Probe, TemperatureProbe
from rushlight.simulator.room import Room, RoomDesign, Surroundings, Wander
from rushlight.simulator.tank import Tank

__all__ = ["SCENE", "Chapter", "Report", "Scene", "State"]


class State(NamedTuple):
    """What is so at one moment. `tank` and `devices` are the same objects each time."""

    time_ms: int
    tank: Tank
    around: Surroundings
    controls: Controls
    devices: Devices


class Report(NamedTuple):
    """What the sensor node measured at one moment; None marks a probe that could not be read."""

    time_ms: int
    values: list[tuple[str, float | None]]
    booted: bool  # the node has just started: its report numbers begin at 0 again


@dataclass(frozen=True)
class Chapter:
    """A stretch of a scene.

    Attributes
    ----------
    title : str
    start_ms, end_ms : int
        UTC milliseconds; the end is the next chapter's start.
    expected_alarm : str or None
        The alarm that a good judge raises in this chapter; None: it raises none.
    story : str
        What happens, for a person.
    """

    title: str
    start_ms: int
    end_ms: int
    expected_alarm: str | None
    story: str


@dataclass(frozen=True)
class Scene:
    """All that is needed to play a tank's days, the same each time.

    Attributes
    ----------
    tank : str
        Its name, as in the settings and on the wire.
    settings : str
        The body of a `rushlight.toml`, without links and store.
    """

    tank: str
    timezone: str
    settings: str
    design: TankDesign
    devices: DeviceDesign
    room: RoomDesign
    start_ms: int
    chapters: tuple[Chapter, ...]
    faults: tuple[Fault, ...]
    quantities: tuple[str, ...] = ("temperature", "room_temperature", "ph", "light")
    report_every_s: int = 60
    step_s: int = 20
    reactor_spread: float = 0.05  # a reactor's output strays by so much of itself
    settle_s: int = 2 * 86_400  # simulated before the start, so that the tank begins as one that has settled
    seed: int = 1

    @property
    def end_ms(self) -> int:
        """Where the last chapter ends."""
        return self.chapters[-1].end_ms

    def chapter_at(self, now_ms: int) -> Chapter:
        """The chapter that a moment belongs to (the last one at and after the end)."""
        for chapter in self.chapters:
            if now_ms < chapter.end_ms:
                return chapter
        return self.chapters[-1]

    def settings_for(self, port: str, store_path: str | None = None) -> str:
        """The whole settings text with a serial link on `port` and, if given, a store."""
        store = f'\n[store]\npath = "{store_path}"\n' if store_path is not None else ""
        return f'[[links]]\nkind = "serial"\nport = "{port}"\n{store}\n{self.settings}'

    def reports(self) -> Iterator[tuple[int, list[tuple[str, float | None]]]]:
        """`(time_ms, [(quantity, value), …])` from start to end; no report while the mains is off."""
        for report in self.play():
            yield report.time_ms, report.values

    def unattended(self, chapter: Chapter) -> Scene:
        """This scene had nobody come in `chapter`: what begins with it goes on for four days, nothing after
        it happens. Its readings are the same up to the chapter's start."""
        end_ms = chapter.start_ms + 4 * 86_400_000
        faults = [fault for fault in self.faults if fault.start_ms < chapter.start_ms]
        faults += [replace(f, end_ms=end_ms) for f in self.faults if f.start_ms == chapter.start_ms]
        return replace(self, chapters=(replace(chapter, end_ms=end_ms),), faults=tuple(faults))

    def states(self) -> Iterator[State]:
        """After each step of `step_s`, the days of settling included."""
        offset = datetime.fromtimestamp(self.start_ms / 1000, ZoneInfo(self.timezone)).utcoffset()
        room = Room(self.room, int(offset.total_seconds()) if offset else 0, self.seed)
        reactor = Wander(random.Random(self.seed + 2), 1.0, self.reactor_spread, 6 * 3600)
        devices = Devices(self.devices)
        tank = Tank(self.design, self.design.setpoint, 15.0)
        for now_ms in range(self.start_ms - self.settle_s * 1000, self.end_ms, self.step_s * 1000):
            around = room.at(now_ms)
            controls = apply_faults(self.faults, now_ms)
            controls.reactor_factor *= reactor.advance(self.step_s)
            tank.step(self.step_s, devices.step(self.step_s, around, controls))
            yield State(now_ms, tank, around, controls, devices)

    def play(self) -> Iterator[Report]:
        """Simulate: the tank in steps of `step_s`, a report each `report_every_s`."""
        probes = self._probes()
        powered = False
        for state in self.states():
            now_ms = state.time_ms
            if not state.controls.mains:
                powered = False
                continue
            if now_ms < self.start_ms or (now_ms - self.start_ms) % (self.report_every_s * 1000):
                continue
            if not powered:
                for probe in probes.values():
                    probe.power_on()
            yield Report(now_ms, list(self._measure(state, probes)), not powered)
            powered = True

    def _probes(self) -> dict[str, Probe]:
        rng = random.Random(self.seed + 1)
        makers: dict[str, Probe] = {
            "temperature": TemperatureProbe(rng),
            "room_temperature": TemperatureProbe(rng),
            "ph": PhElectrode(rng),
            "light": LightSensor(rng),
            "heater_power": Probe(rng, 0.0, 0.15, 0.1, 1),
        }
        return {quantity: makers[quantity] for quantity in self.quantities}

    def _measure(self, state: State, probes: dict[str, Probe]) -> Iterator[tuple[str, float | None]]:
        true = {
            "temperature": state.tank.temperature_c,
            "room_temperature": state.around.room_c,
            "ph": state.tank.ph,
            "light": state.devices.lux,
            "heater_power": state.tank.heat.watts,
        }
        for quantity, probe in probes.items():
            if quantity in state.controls.unplugged:
                yield quantity, None
            else:
                yield quantity, probe.read(true[quantity], self.report_every_s)


_ZONE = "Europe/Tallinn"
_FIRST_DAY = datetime(2026, 1, 12, tzinfo=ZoneInfo(_ZONE))
_HARDNESS_DKH = 4.0
_TANK = TankDesign(
    volume=45.0,
    loss=4.5,
    mix_s=300.0,
    setpoint=23.0,
    heater_w=75.0,
    hysteresis=0.5,
    lamp_heat_w=7.0,
    pump_w=3.0,
    kh=_HARDNESS_DKH,
    ionic=_HARDNESS_DKH * ALKALINITY_PER_DKH,  # as in water with nothing but sodium bicarbonate
    exchange=0.25,
    uptake=3.4,
    respiration=0.7,
)

_SETTINGS = f"""\
[tanks.landing]
title = "Tank on the landing"
volume_litres = 45
timezone = "{_ZONE}"
report_every_s = 60

[tanks.landing.water]
carbonate_hardness_dkh = {_HARDNESS_DKH}
degassed_ph = 8.1
ph_low = 6.4
ph_high = 8.2

[tanks.landing.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
co2_limit_mg_l = 30.0

[tanks.landing.heater]
setpoint_c = 23.0
watts = 75

[tanks.landing.light]
on = "12:00"
off = "20:00"
tolerance_min = 10
ramp_min = 0

[tanks.landing.co2]
source = "citric-acid"

[tanks.landing.ph_calibration]
calibrated = {_FIRST_DAY:%Y-%m-%d}
"""


def _at(day: int, hour: int = 0, minute: int = 0) -> int:
    """UTC milliseconds of a local time on the demo's day 1, 2, …"""
    return int((_FIRST_DAY + timedelta(days=day - 1, hours=hour, minutes=minute)).timestamp() * 1000)


def _demo() -> Scene:
    surge, stone, aired = _at(6, 1, 10), _at(6, 4, 30), _at(6, 6, 15)
    heater, mended = _at(7, 17, 30), _at(7, 22, 30)
    slip, end = _at(8, 12, 30), _at(11)
    marks = [
        (_at(1), "Settling in", None, "Four ordinary days: the watch learns what is usual here."),
        (_at(5), "An ordinary day", None, "Heater, lamp and reactor do their work. Nothing to say."),
        (surge, "A night surge", "co2-overdose", "The acid bottle is knocked over and CO2 pours in."),
        (
            _at(6, 7),
            "Breathing again",
            None,
            "An air stone has driven the gas out; the bottle is upright again.",
        ),
        (heater, "The heater dies", "heater-not-heating", "A cold evening, and the heater's plug fails."),
        (mended, "Warm again", None, "A spare heater is in; the water climbs back."),
        (slip, "The timer slips", "light-schedule-drift", "The lamp's timer falls behind by minutes a day."),
    ]
    ends = [mark[0] for mark in marks[1:]] + [end]
    return Scene(
        tank="landing",
        timezone=_ZONE,
        settings=_SETTINGS,
        design=_TANK,
        devices=DeviceDesign(),
        room=RoomDesign(spell_start_ms=_at(5, 12), spell_end_ms=_at(9, 12), spell_drop_k=4.0),
        start_ms=_at(1),
        chapters=tuple(
            Chapter(title, start, stop, alarm, story)
            for (start, title, alarm, story), stop in zip(marks, ends, strict=True)
        ),
        faults=(
            reactor_surge(surge, _at(6, 3, 50)),
            air_stone(stone, aired),
            heater_dead(heater, mended),
            timer_slipping(slip, end, minutes_per_day=8.0),
        ),
        seed=23,
    )


SCENE = _demo()
