"""A tank and its owner's habits, and the days that it is taken through.

The physics is the simulator's (`simulator/tank.py`), step by step; here are the arrays that drive it and what
comes of them. Parameters are plausible ranges (common practice, no source) unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import repeat
from typing import Any

import numpy as np

from rushlight.simulator import tank as simulated
from rushlight.simulator.chemistry import ph_of as ph_of_water
from rushlight.simulator.conditions import Conditions, Poured
from rushlight.simulator.design import TankDesign

Array = Any  # a numpy array of floats; numpy's stubs make every sum of two an Any in any case
STEP_S = 30


@dataclass(kw_only=True)
class Tank(TankDesign):
    """One tank, and what its owner means to do with it. Times of day are minutes after midnight."""

    name: str
    source: str  # of CO2: "", "cylinder", "yeast", "citric-acid"
    co2_on: int
    co2_off: int
    co2_target: float  # mg/L
    co2_limit: float
    gas_hours: bool = True  # False: no clock turns the gas off
    headroom: float = 1.0  # gas while the valve is open, as a multiple of what the target needs
    lamp_lux: float
    lamp_on: int
    lamp_off: int
    ramp: float  # minutes

    def start_temperature(self, room: float) -> float:
        """A fair first temperature: held by the heater, or what room and pump give."""
        free = room + self.pump_w / self.loss
        start = max(free, self.setpoint) if self.heater_w else free
        return min(start, self.cooler_setpoint) if self.cooler else start


@dataclass
class Drive:
    """What happens to a tank, one value a step (arrays of length n): the fields of `Conditions`."""

    room: Array
    lamp: Array
    sun_heat: Array
    air_ppm: Array
    dose: Array
    mains: Array
    heater_gain: Array
    heater_forced: Array
    heater_shift: Array
    cooler_gain: Array
    loss_gain: Array
    exchange_gain: Array
    alkalinity_rate: Array
    uptake_gain: Array
    changes: dict[int, list[Poured]] = field(default_factory=dict)
    # what only some tanks have: None where nothing of it happens
    valve_mode: Array | None = None
    probe_error: Array | None = None
    coupled: Array | None = None
    soil_floor: Array | None = None
    second_gain: Array | None = None
    second_forced: Array | None = None
    respiration_gain: Array | None = None

    def steps(self) -> Iterator[Conditions]:
        """One after the other."""
        columns = []
        for name in Conditions._fields:
            values = getattr(self, name)
            columns.append(repeat(Conditions._field_defaults[name]) if values is None else values.tolist())
        # `room` is never None, so the shortest column has an end
        return map(Conditions._make, zip(*columns, strict=False))


@dataclass
class Course:
    """What the tank did: arrays of length n (°C, °C, mg/L, pH, dKH, W, true or false twice)."""

    temperature: Array  # where the probe hangs
    bulk: Array
    co2: Array
    ph: Array
    kh: Array
    heating: Array
    heat_called: Array
    cool_called: Array


def simulate(tank: Tank, drive: Drive) -> Course:
    """Take the tank through `drive` in steps of `STEP_S`."""
    start_co2 = tank.co2_target if tank.source not in ("", "cylinder") else 4.0
    water = simulated.Tank(tank, tank.start_temperature(float(drive.room[0])), start_co2)
    heat, gas = water.heat, water.gas
    course = []
    for i, now in enumerate(drive.steps()):
        for new in drive.changes.get(i, ()):
            water.pour(new)
        water.step(STEP_S, now)
        heated = (heat.watts, heat.heat_called, heat.cool_called)
        course.append((heat.far_c, heat.mean_c, gas.co2_mg_l, gas.ph, gas.kh, *heated))
    return Course(*(np.array(column) for column in zip(*course, strict=True)))


def ph_of(tank: Tank, temperature: float, co2_mg: float) -> float:
    """pH of the tank's water at a temperature with dissolved CO2 (mg/L)."""
    return ph_of_water(tank.kh, tank.ionic, temperature, co2_mg, tank.humic_eq)
