"""Tanks of another size, in the sun, with two heaters, or with a lid that is opened each day."""

from __future__ import annotations

import numpy as np

from bench.diagnosis.faults import FAULTS, Fault, Label
from bench.diagnosis.faults.label import first, onset_of
from bench.diagnosis.tank import Course
from bench.diagnosis.world import HOUR, World, _noise
from bench.diagnosis.worlds.kind import Kind

__all__ = ["HUGE", "LID", "SUN", "TINY", "TWO_HEATERS"]

FULL_SCALE_LX = 54_612.0
"""Most that a common light sensor reads (BH1750: 65535 / 1.2 lx, its data sheet; from memory)."""

TINY = Kind("tiny", "5 to 15 L", needs={"volume": (5, 15)})
HUGE = Kind("huge", "300 to 800 L", needs={"volume": (300, 800)})


def _sun(world: World) -> None:
    """Up to three hours of sun on the glass; the meter may be at its end."""
    rng, local = world.rng, world.local
    centre, width = rng.uniform(510, 990), rng.uniform(40, 110)
    beam = np.exp(-0.5 * ((local - centre) / width) ** 2) * rng.uniform(8_000, 70_000)
    cloud = np.clip(
        0.65 + _noise(rng, world.n, HOUR / 3, 0.4) + _noise(rng, world.n, 20 * HOUR, 0.35), 0.03, 1
    )
    world.sun_lux = np.minimum(world.sun_lux + beam * cloud, FULL_SCALE_LX)
    # 1 W/m² of daylight is some 110 lx (common practice, no source); a third of it stays in the water
    glass = 1.2 * (world.tank.volume / 1000) ** (2 / 3)
    world.drive.sun_heat = world.drive.sun_heat + beam * cloud / 110 * glass * rng.uniform(0.1, 0.35)


SUN = Kind("sun", "sun straight on the tank for some hours", tank=_sun)


def _lid(world: World) -> None:
    """Open each day at about the same time, to feed and to look; some keepers forget it now and then."""
    rng, drive = world.rng, world.drive
    usual, loss = rng.uniform(7 * 60, 21 * 60), rng.uniform(1.15, 1.7)
    gas, shade = rng.uniform(1.0, 1.3), rng.uniform(0.3, 1.15)
    for day in range(world.days):
        step = world.step_of_day(day, (usual + rng.normal(0, 25)) % 1440)
        length = int((rng.uniform(5, 60) if rng.random() < 0.95 else rng.uniform(120, 600)) * 2)
        drive.loss_gain[step : step + length] *= loss
        drive.exchange_gain[step : step + length] *= gas
        mark = {"kind": "shade", "quantity": "light", "from": step, "to": step + length, "factor": shade}
        world.probes.append(mark)


LID = Kind("lid", "a lid that is opened each day", care=_lid)


def _two_heaters(world: World) -> None:
    """Half of the power each, dials that differ by up to a degree."""
    rng, tank = world.rng, world.tank
    tank.second_heater_w = max(round(tank.heater_w * rng.uniform(0.35, 0.6) / 5) * 5.0, 5.0)
    tank.heater_w = max(tank.heater_w - tank.second_heater_w, 10.0)
    tank.second_setpoint = tank.setpoint + float(rng.uniform(-1.0, 0.3))


def _one_dies(w: World, course: Course, s: float) -> Label:
    """The one that carries the load; the other may hold the water, or not."""
    begin = onset_of(w)
    onset = first(course.heat_called > 0, begin)
    w.drive.heater_gain = w.drive.heater_gain * np.where(np.arange(w.n) >= begin, 0.001, 1.0)
    return Label("heater-not-heating", "one-of-two-dead", onset, onset + 36 * HOUR, "cold")


def _both_die(w: World, course: Course, s: float) -> Label:
    """Their strip, or the breaker behind it."""
    begin = onset_of(w)
    onset = first(course.heat_called > 0, begin)
    w.drive.heater_gain = w.drive.heater_gain * np.where(np.arange(w.n) >= begin, 0.0, 1.0)
    return Label("heater-not-heating", "both-dead", onset, onset + 36 * HOUR, "cold")


def _one_welds(w: World, course: Course, s: float) -> Label:
    onset = first(course.heat_called > 0, onset_of(w))
    w.drive.second_forced = (np.arange(w.n) >= onset) * 1.0
    return Label("heater-stuck-on", "one-of-two-welded", onset, onset + 24 * HOUR, "warm")


_COLD = {"heater": True, "room": "cold"}
TWO_HEATERS = Kind(
    "two-heaters",
    "two heaters with dials of their own",
    needs={"heater": True},
    tank=_two_heaters,
    faults={
        "heater-stuck-on": [*FAULTS["heater-stuck-on"], Fault(_COLD, (3, 4), _one_welds)],
        "heater-not-heating": [Fault(_COLD, (3, 4), _one_dies), Fault(_COLD, (3, 4), _both_die)],
    },
)
