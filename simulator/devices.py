"""The devices of the demo's tank: a lamp on a timer, a CO2 reactor, and the `Controls` that faults act on."""

from __future__ import annotations

from dataclasses import dataclass, field

from rushlight.simulator.conditions import Conditions
from rushlight.simulator.room import Surroundings

__all__ = ["Controls", "DeviceDesign", "Devices", "LampTimer"]


@dataclass(frozen=True)
class DeviceDesign:
    """Lamp and reactor. A reactor of acid or yeast works day and night: nothing switches it."""

    lamp_lux: float = 6400.0
    lamp_on_min: int = 12 * 60  # minutes after local midnight
    lamp_off_min: int = 20 * 60
    reactor_mg_l_h: float = 4.4  # CO2 that it brings, per litre of tank water


@dataclass
class Controls:
    """What faults act on. The defaults are devices that all work."""

    mains: bool = True
    heater_dead: bool = False
    heater_welded: bool = False
    reactor_factor: float = 1.0
    reactor_empty: bool = False
    timer_slip_min_per_day: float = 0.0
    timer_being_set: bool = False
    lamp_dead: bool = False
    aeration: float = 1.0  # multiplies the gas exchange; an air stone gives about 3
    unplugged: set[str] = field(default_factory=set)  # quantities whose probe is off


class LampTimer:
    """A plug-in timer: it runs on the mains, knows no summer time and is late by `error_min`."""

    def __init__(self, on_min: float, off_min: float) -> None:
        self.on_min = on_min
        self.off_min = off_min
        self.error_min = 0.0

    def advance(self, dt_s: float, mains: bool, slip_min_per_day: float) -> None:
        """Let time pass; without mains the timer stops and falls behind."""
        self.error_min += dt_s / 60 if not mains else slip_min_per_day * dt_s / 86_400

    def is_on(self, local_minute: float) -> bool:
        """Whether its contact is closed at this local time."""
        since = (local_minute - self.error_min - self.on_min) % 1440
        return since < (self.off_min - self.on_min) % 1440


class Devices:
    """The devices as time goes by.

    Attributes
    ----------
    lux : float
        At the light sensor: of the lamp and through the window.
    """

    def __init__(self, design: DeviceDesign) -> None:
        self._design = design
        self.timer = LampTimer(design.lamp_on_min, design.lamp_off_min)
        self.lux = 0.0

    def step(self, dt_s: float, around: Surroundings, controls: Controls) -> Conditions:
        """What acts on the tank in the step of `dt_s` seconds that begins now."""
        self.timer.advance(dt_s, controls.mains, controls.timer_slip_min_per_day)
        if controls.timer_being_set:
            self.timer.error_min = 0.0
        lit = controls.mains and not controls.lamp_dead and self.timer.is_on(around.local_minute)
        self.lux = self._design.lamp_lux * lit + around.window_lux
        reactor = 0.0 if controls.reactor_empty else controls.reactor_factor
        return Conditions(
            room=around.room_c,
            lamp=float(lit),
            air_ppm=around.air_co2_ppm,
            dose=self._design.reactor_mg_l_h * reactor,
            mains=float(controls.mains),
            heater_gain=float(not controls.heater_dead),
            heater_forced=float(controls.heater_welded),
            exchange_gain=controls.aeration,
        )
