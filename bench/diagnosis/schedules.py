"""What the clock switches: the lamp's hours, the gas valve's, and the gas that comes of it."""

from __future__ import annotations

import numpy as np

from bench.diagnosis.tank import STEP_S, Array
from bench.diagnosis.world import World
from rushlight.simulator.chemistry import air_co2

__all__ = ["dose_now", "gas_hours", "lamp_now", "periods_of", "weekend_steps"]


def periods_of(world: World) -> list[tuple[int, int]]:
    """The lamp's (on, off) of a weekday, minutes after local midnight."""
    return world.periods or [(world.tank.lamp_on, world.tank.lamp_off)]


def weekend_steps(world: World) -> Array:
    """True on Saturday and Sunday, by local time."""
    local_s = world.start.timestamp() + np.arange(world.n) * STEP_S + world.offset_min * 60
    return (local_s // 86400 + 3) % 7 >= 5  # 1970-01-01 was a Thursday


def _lit(world: World, on: int, off: int) -> Array:
    since = (world.local - world.lamp_timer - on) % 1440
    length = (off - on) % 1440
    if world.tank.ramp:
        level = np.clip(np.minimum(since / world.tank.ramp, (length - since) / world.tank.ramp), 0, 1)
    else:
        level = np.ones(len(since))
    return np.where(since < length, level, 0.0)


def lamp_now(world: World) -> Array:
    """Share of full light at each step from the schedule, the timer's error, ramp, output and mains."""
    level = np.maximum.reduce([_lit(world, on, off) for on, off in periods_of(world)])
    if world.weekend:
        other = np.maximum.reduce([_lit(world, on, off) for on, off in world.weekend])
        level = np.where(weekend_steps(world), other, level)
    if world.night_level:
        level = np.maximum(level, world.night_level)
    return level * world.lamp_output * world.drive.mains


def gas_hours(world: World, timer_late: Array | float = 0.0) -> Array:
    """1 while the clock lets gas through; `timer_late` are minutes that it runs late."""
    tank = world.tank
    if not tank.gas_hours:
        return np.ones(world.n)
    since = (world.local - timer_late - tank.co2_on) % 1440
    return (since < (tank.co2_off - tank.co2_on) % 1440).astype(float)


def dose_now(world: World, valve: Array | None = None) -> Array:
    """CO2 into the water, mg/L/h, so that the target is met on an ordinary day at `source_output` 1."""
    tank = world.tank
    if not tank.source:
        return np.zeros(world.n)
    back = air_co2(tank.setpoint, 550, tank.ionic)
    if tank.source == "cylinder":
        # never switched, the plants' share of the night is over
        share = 0.7 if tank.gas_hours else 0.25
        need = tank.exchange * (tank.co2_target - back) + share * tank.uptake
        if valve is None:
            valve = gas_hours(world, world.valve_timer)
        return need * tank.headroom * valve * world.source_output * world.drive.mains
    need = tank.exchange * (0.75 * tank.co2_target - back) + 0.25 * tank.uptake
    sensitivity = 2.2 if tank.source == "yeast" else 1.35  # Q10, from memory of yeast growth; acid weakly
    return need * sensitivity ** ((world.drive.room - world.room_warm) / 10) * world.source_output
