"""The physics of one tank: heat in two zones, carbonate chemistry, gas exchange, plants.

Nothing is shared with `analysis`; the chemistry is that of the demo's tank (`simulator`). Parameters are
plausible ranges (common practice, no source) unless a line says otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bench.diagnosis.special import Special, humic_alkalinity
from rushlight.simulator.chemistry import ALKALINITY_PER_DKH, CO2_MG_PER_MOL, speciate, table, total_from_co2

Array = Any  # a numpy array of floats; numpy's stubs make every sum of two an Any in any case
STEP_S = 30
JOULE_PER_LITRE_K = 4180.0


@dataclass
class Tank:
    """One tank. Temperatures °C, power W, `loss` W/K, rates mg/L/h, `exchange` 1/h, `mix_s` s."""

    name: str
    volume: float
    loss: float
    mix_s: float
    setpoint: float
    heater_w: float
    hysteresis: float
    lamp_heat_w: float
    pump_w: float
    cooler: str  # "", "fan", "chiller"
    cooler_setpoint: float
    cooler_hysteresis: float
    cooler_strength: float  # fan: W/K towards the wet bulb; chiller: W
    wet_bulb_gap: float
    kh: float
    ionic: float
    exchange: float
    uptake: float
    respiration: float
    source: str  # "", "cylinder", "yeast", "citric-acid"
    co2_on: int  # minutes after midnight
    co2_off: int
    lamp_lux: float
    lamp_on: int
    lamp_off: int
    ramp: float
    co2_target: float
    co2_limit: float
    # what only some tanks have; see `special.py`
    gas_hours: bool = True  # False: no clock turns the gas off
    headroom: float = 1.0  # gas while the valve is open, as a multiple of what the target needs
    ph_setpoint: float = 0.0  # of a pH controller; 0: none
    ph_hysteresis: float = 0.05
    ph_lag_s: float = 60.0  # of the controller's electrode
    soil_rate: float = 0.0  # share of the hardness above `Drive.soil_floor` that the soil takes up, 1/h
    humic_eq: float = 0.0  # acid groups of humic matter, eq/L
    second_heater_w: float = 0.0
    second_setpoint: float = 0.0


@dataclass
class Change:
    """Water replaced at one step: fraction, temperature and KH of the new water, its CO2 (mg/L)."""

    fraction: float
    temperature: float
    kh: float
    co2: float


@dataclass
class Drive:
    """What happens to a tank, one value a step (arrays of length n)."""

    room: Array
    lamp: Array  # 0..1, light and heat
    sun_heat: Array  # W
    air_ppm: Array
    dose: Array  # mg/L/h into the water
    mains: Array  # 1 or 0
    heater_gain: Array
    heater_forced: Array  # 1: on whatever the thermostat says
    heater_shift: Array  # °C on the thermostat
    cooler_gain: Array
    loss_gain: Array  # lid off
    exchange_gain: Array
    alkalinity_rate: Array  # dKH an hour
    uptake_gain: Array  # plants set or cut
    changes: dict[int, list[Change]] = field(default_factory=dict)
    # what only some tanks have: None where nothing of it happens
    valve_mode: Array | None = None  # of a pH controller, see `special.py`
    probe_error: Array | None = None  # what its electrode reads too high, pH
    coupled: Array | None = None  # what it reads too high while the heater is on, pH
    soil_floor: Array | None = None  # dKH at which the soil takes up no more
    second_gain: Array | None = None
    second_forced: Array | None = None


@dataclass
class Course:
    """What the tank did: arrays of length n (°C, °C, mg/L, pH, dKH, 0/1, 0/1)."""

    temperature: Array  # where the probe hangs
    bulk: Array
    co2: Array
    ph: Array
    kh: Array
    heating: Array
    heat_called: Array
    cool_called: Array


def simulate(tank: Tank, drive: Drive) -> Course:
    """Step the tank through `drive` with explicit steps of `STEP_S`."""
    n = len(drive.room)
    consts = table(tank.ionic)
    capacity = tank.volume * JOULE_PER_LITRE_K
    part = 0.4  # share of the water around the heater
    cap_h, cap_p = capacity * part, capacity * (1 - part)
    between = capacity / tank.mix_s
    room, lamp, sun = drive.room.tolist(), drive.lamp.tolist(), drive.sun_heat.tolist()
    air, dose, mains = drive.air_ppm.tolist(), drive.dose.tolist(), drive.mains.tolist()
    gain, forced, shift = (
        drive.heater_gain.tolist(),
        drive.heater_forced.tolist(),
        drive.heater_shift.tolist(),
    )
    cooling_gain, lid = drive.cooler_gain.tolist(), drive.loss_gain.tolist()
    exch, alk_rate = drive.exchange_gain.tolist(), drive.alkalinity_rate.tolist()
    plants = drive.uptake_gain.tolist()
    t_h = t_p = start_temperature(tank, room[0])
    alk = tank.kh * ALKALINITY_PER_DKH
    k = consts[int(min(max(t_p, 0.0), 60.0) * 4 + 0.5)]
    start_co2 = (tank.co2_target if tank.source not in ("", "cylinder") else 4.0) / CO2_MG_PER_MOL
    total, h = total_from_co2(start_co2, alk, k)
    heat_call = cool_call = False
    hour = STEP_S / 3600
    out_t, out_b, out_c, out_p, out_k = [0.0] * n, [0.0] * n, [0.0] * n, [0.0] * n, [0.0] * n
    out_h, out_hc, out_cc = [0.0] * n, [0.0] * n, [0.0] * n
    special = special_of(tank, drive)
    half, chalf = tank.hysteresis / 2, tank.cooler_hysteresis / 2
    for i in range(n):
        for new in drive.changes.get(i, ()):
            f = new.fraction
            t_h += f * (new.temperature - t_h)
            t_p += f * (new.temperature - t_p)
            new_alk = new.kh * ALKALINITY_PER_DKH
            new_total, _ = total_from_co2(new.co2 / CO2_MG_PER_MOL, new_alk, k)
            alk += f * (new_alk - alk)
            total += f * (new_total - total)
        want = tank.setpoint + shift[i]
        if t_h < want - half:
            heat_call = True
        elif t_h > want + half:
            heat_call = False
        if tank.cooler:
            if t_p > tank.cooler_setpoint + chalf:
                cool_call = True
            elif t_p < tank.cooler_setpoint - chalf:
                cool_call = False
        on = mains[i]
        heating = on if (heat_call or forced[i]) else 0.0
        watts = heating * gain[i] * tank.heater_w
        if special is not None:
            watts += special.second_heater(i, t_h, on)
        air_t = room[i]
        warm = lamp[i] * tank.lamp_heat_w + sun[i] + on * tank.pump_w
        if cool_call and on:
            if tank.cooler == "fan":
                warm -= cooling_gain[i] * tank.cooler_strength * (t_p - air_t + tank.wet_bulb_gap)
            else:
                warm -= cooling_gain[i] * tank.cooler_strength
        loss = tank.loss * lid[i]
        flow = (between if on else 0.3 * between) * (t_h - t_p)
        t_h += STEP_S / cap_h * (watts + part * (warm - loss * (t_h - air_t)) - flow)
        t_p += STEP_S / cap_p * ((1 - part) * (warm - loss * (t_p - air_t)) + flow)
        k = consts[int(min(max(t_p, 0.0), 60.0) * 4 + 0.5)]
        alk += alk_rate[i] * ALKALINITY_PER_DKH * hour
        gas, carbonate = dose[i], alk
        if special is not None:
            gas *= special.valve(i, -math.log10(h), watts > 0)
            alk -= special.soil(i, alk)
            carbonate = alk - special.humic(h)
        co2, h = speciate(total, carbonate, k, h)
        mg = co2 * CO2_MG_PER_MOL
        equilibrium = k.henry * air[i] * 1e-6 * CO2_MG_PER_MOL
        light = lamp[i]
        taken = tank.uptake * plants[i] * light / (light + 0.3) * mg / (mg + 3.0)
        speed = tank.exchange * exch[i] * (1.0 if on else 0.4)
        total += hour * (gas - taken + tank.respiration - speed * (mg - equilibrium)) / CO2_MG_PER_MOL
        if total < 1e-7:
            total = 1e-7
        out_t[i], out_b[i], out_c[i], out_p[i] = t_p, part * t_h + (1 - part) * t_p, mg, -math.log10(h)
        out_k[i], out_h[i], out_hc[i], out_cc[i] = alk / ALKALINITY_PER_DKH, watts, heat_call, cool_call
    return Course(*(np.array(x) for x in (out_t, out_b, out_c, out_p, out_k, out_h, out_hc, out_cc)))


def special_of(tank: Tank, drive: Drive) -> Special | None:
    """What only some tanks have, ready to step; None where this one has nothing of it."""
    if not (tank.ph_setpoint or tank.soil_rate or tank.humic_eq or tank.second_heater_w):
        return None
    return Special(tank, drive)


def start_temperature(tank: Tank, room: float) -> float:
    """A fair first temperature: held by the heater, or what room and pump give."""
    free = room + tank.pump_w / tank.loss
    start = max(free, tank.setpoint) if tank.heater_w else free
    return min(start, tank.cooler_setpoint) if tank.cooler else start


def ph_of(tank: Tank, temperature: float, co2_mg: float) -> float:
    """pH of the tank's water at a temperature with dissolved CO2 (mg/L)."""
    k = table(tank.ionic)[int(temperature * 4 + 0.5)]
    carbonate = tank.kh * ALKALINITY_PER_DKH
    for _ in range(20 if tank.humic_eq else 1):  # humic acids give back less in more acid water
        _, h = total_from_co2(co2_mg / CO2_MG_PER_MOL, carbonate, k)
        carbonate = max(tank.kh * ALKALINITY_PER_DKH - humic_alkalinity(tank.humic_eq, h), 1e-6)
    return -math.log10(h)


def air_co2(temperature: float, ppm: float, ionic: float) -> float:
    """Dissolved CO2 in balance with air, mg/L."""
    return table(ionic)[int(temperature * 4 + 0.5)].henry * ppm * 1e-6 * CO2_MG_PER_MOL
