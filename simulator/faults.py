"""Things that go wrong, each with a beginning and an end, acting on the `Controls` of a tank's devices.

Everything here happens to a device; what the readings then show follows from the physics.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from rushlight.simulator.devices import Controls

__all__ = [
    "Fault",
    "air_stone",
    "apply_faults",
    "empty_reactor",
    "heater_dead",
    "heater_welded",
    "lamp_dead",
    "power_cut",
    "probe_unplugged",
    "reactor_surge",
    "timer_set_right",
    "timer_slipping",
]


@dataclass(frozen=True)
class Fault:
    """One thing that is so from `start_ms` (inclusive) to `end_ms` (exclusive), UTC milliseconds."""

    title: str
    start_ms: int
    end_ms: int
    act: Callable[[Controls], None]

    def __post_init__(self) -> None:
        if self.end_ms <= self.start_ms:
            raise ValueError(f"{self.title}: must end after it starts")


def apply_faults(faults: Iterable[Fault], now_ms: int) -> Controls:
    """The controls of devices on which just these faults act, those that cover `now_ms`."""
    controls = Controls()
    for fault in faults:
        if fault.start_ms <= now_ms < fault.end_ms:
            fault.act(controls)
    return controls


def reactor_surge(start_ms: int, end_ms: int, factor: float = 3.8) -> Fault:
    """A CO2 reactor runs away: `factor` times its usual output."""

    def act(controls: Controls) -> None:
        controls.reactor_factor *= factor

    return Fault("the reactor surges", start_ms, end_ms, act)


def empty_reactor(start_ms: int, end_ms: int) -> Fault:
    """No CO2 comes: the reactor is spent."""

    def act(controls: Controls) -> None:
        controls.reactor_empty = True

    return Fault("the reactor is empty", start_ms, end_ms, act)


def heater_dead(start_ms: int, end_ms: int) -> Fault:
    """The heater's element or plug is open: no heat whatever the thermostat says."""

    def act(controls: Controls) -> None:
        controls.heater_dead = True

    return Fault("the heater is dead", start_ms, end_ms, act)


def heater_welded(start_ms: int, end_ms: int) -> Fault:
    """The thermostat's contact is welded shut: heat without end."""

    def act(controls: Controls) -> None:
        controls.heater_welded = True

    return Fault("the heater's contact is welded", start_ms, end_ms, act)


def lamp_dead(start_ms: int, end_ms: int) -> Fault:
    """The lamp stays dark."""

    def act(controls: Controls) -> None:
        controls.lamp_dead = True

    return Fault("the lamp is dead", start_ms, end_ms, act)


def timer_slipping(start_ms: int, end_ms: int, minutes_per_day: float = 8.0) -> Fault:
    """The lamp's timer loses (or with a negative number gains) minutes each day.

    What it has lost stays lost when the fault ends, until `timer_set_right`.
    """

    def act(controls: Controls) -> None:
        controls.timer_slip_min_per_day += minutes_per_day

    return Fault("the lamp's timer slips", start_ms, end_ms, act)


def timer_set_right(start_ms: int) -> Fault:
    """A remedy: somebody sets the lamp's timer by a right clock (takes a minute)."""

    def act(controls: Controls) -> None:
        controls.timer_being_set = True

    return Fault("the lamp's timer is set", start_ms, start_ms + 60_000, act)


def probe_unplugged(start_ms: int, end_ms: int, quantity: str) -> Fault:
    """The probe of one quantity is off its connector."""

    def act(controls: Controls) -> None:
        controls.unplugged.add(quantity)

    return Fault(f"the {quantity} probe is unplugged", start_ms, end_ms, act)


def power_cut(start_ms: int, end_ms: int) -> Fault:
    """No mains: heater, lamp, timer, valve and the sensor node stop."""

    def act(controls: Controls) -> None:
        controls.mains = False

    return Fault("the mains is off", start_ms, end_ms, act)


def air_stone(start_ms: int, end_ms: int, factor: float = 3.0) -> Fault:
    """Not a fault but a remedy: an air pump drives CO2 out."""

    def act(controls: Controls) -> None:
        controls.aeration *= factor

    return Fault("an air stone runs", start_ms, end_ms, act)
