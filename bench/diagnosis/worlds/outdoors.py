"""A tub on a balcony or in a yard from May to September: sun, rain and wind, no heater, no lamp, no gas.

Ranges are common practice, no source, where none is named.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.diagnosis.faults import FAULTS, Fault, Label, devices, heat
from bench.diagnosis.faults.label import onset_of
from bench.diagnosis.tank import Array, Course
from bench.diagnosis.world import DAY, HOUR, World, _noise
from bench.diagnosis.worlds.kind import Kind
from bench.diagnosis.worlds.places import FULL_SCALE_LX
from rushlight.simulator.conditions import Poured

__all__ = ["TUB"]

LUX_PER_WATT = 110.0  # of daylight, lx for each W/m²; common practice, no source
NOON_WATTS = 900.0  # on level ground under a clear sky in summer, W/m²; common practice, no source
PH_HIGH_LEFT_OUT = 8.6  # what the settings take as the limit where none is given
RAIN_KH = 0.1  # dKH: rain has next to none


def _tub(world: World) -> None:
    rng, tank, drive, n = world.rng, world.tank, world.drive, world.n
    depth = rng.uniform(0.3, 0.55)
    area = tank.volume / 1000 / depth
    clear = np.clip(0.62 + _noise(rng, n, 30 * HOUR, 0.3) + _noise(rng, n, HOUR / 3, 0.15), 0.08, 1.0)
    wet = _rain(world, area, clear)
    clear = np.where(wet, np.minimum(clear, 0.2), clear)
    day = _noise(rng, n, 60 * HOUR, rng.uniform(1.0, 2.5))
    mean = rng.uniform(14, 21)
    wave = rng.uniform(2.5, 6.0) * (0.4 + 0.6 * clear) * np.sin(2 * np.pi * (world.local - 540) / 1440)
    drive.room = mean + day + wave
    world.room_warm = float(mean)
    beam = _beam(world)
    drive.sun_heat = NOON_WATTS * beam * clear * area * rng.uniform(0.55, 0.85)
    # a clear night sky takes 30 to 60 W/m² more than the air does
    drive.sun_heat = drive.sun_heat - np.where(beam > 0, 0.0, rng.uniform(30, 60) * clear * area)
    # the wind, and what evaporates with it
    tank.loss = area * rng.uniform(14, 26) + 3 * area**0.5 * rng.uniform(1, 3)
    drive.loss_gain = drive.loss_gain * np.clip(1 + _noise(rng, n, 5 * HOUR, 0.35), 0.5, 2.2)
    tank.source = tank.cooler = ""
    tank.lamp_heat_w, tank.pump_w = 0.0, float(rng.choice([0.0, 2.0, 6.0]))
    tank.mix_s = rng.uniform(900, 2400) if not tank.pump_w else rng.uniform(200, 500)
    tank.setpoint = float(mean)  # nothing holds it there: what fresh water is compared to
    # a little green, or so green that its pH is past 9 in the afternoon
    tank.uptake, tank.exchange = float(np.exp(rng.uniform(np.log(0.5), np.log(12)))), rng.uniform(0.06, 0.25)
    tank.kh = rng.uniform(2.0, 7.0)
    drive.air_ppm = np.full(n, 425.0)
    world.evening_lux = np.zeros(n)
    world.sun_lux = np.zeros(n)  # daylight is this tank's lamp, see `_daylight`
    tank.lamp_lux = NOON_WATTS * LUX_PER_WATT * rng.uniform(0.3, 0.9)  # a meter under the rim, or in the open
    world.change_every = 14
    world.setup = {"give_light": False, "daylight": beam * clear, "light_end": FULL_SCALE_LX}


def _beam(world: World) -> Array:
    """0 to 1: the height of the sun, less while a wall or a tree is before it."""
    rng, local = world.rng, world.local
    rise, length = rng.uniform(270, 390), rng.uniform(780, 960)
    up = np.clip(np.sin(np.pi * (local - rise) / length), 0, None) * (local > rise) * (local < rise + length)
    begin = rng.uniform(rise, rise + 240)
    lit = (local > begin) & (local < begin + rng.uniform(240, 720))
    return up * np.where(lit, 1.0, rng.uniform(0.12, 0.3))


def _rain(world: World, area: float, clear: Array) -> Array:
    """Showers under the thicker clouds; a litre falls on each square metre for a millimetre."""
    rng = world.rng
    wet = np.zeros(world.n, bool)
    for _ in range(rng.poisson(world.days * 0.35)):
        begin = int(rng.choice(np.flatnonzero(clear <= np.quantile(clear, 0.4))))
        hours = float(np.exp(rng.uniform(np.log(0.3), np.log(8))))
        mm = float(np.exp(rng.uniform(np.log(0.5), np.log(18))))
        end = min(begin + max(int(hours * HOUR), 20), world.n)
        wet[begin:end] = True
        at = range(begin, end, 20)  # every ten minutes
        share = mm * area / world.tank.volume / len(at)
        for step in at:
            new = Poured(share, rng.uniform(9, 16), RAIN_KH, 0.6)
            world.drive.changes.setdefault(step, []).append(new)
    return wet


def _daylight(world: World) -> None:
    """The sun is its lamp: for the plants and for the meter, as far as the meter goes."""
    share = world.setup["daylight"] * world.lamp_output
    world.drive.lamp = np.minimum(share, FULL_SCALE_LX / world.tank.lamp_lux)


def _from_the_gutter(w: World, course: Course, s: float) -> Label:
    """A downpipe over the tub in a long rain: soft water takes the place of the tub's."""
    onset = onset_of(w)
    hours = int(36 * (1 - s) + 8)
    left = 0.02 + 0.05 * (1 - s)  # share of the tub's own water in the end
    parts = hours * 6
    for part in range(parts):
        step = onset + part * 20
        if step < w.n:
            new = Poured(1 - left ** (1 / parts), float(w.drive.room[step]), RAIN_KH * (1 - s), 0.8)
            w.drive.changes.setdefault(step, []).append(new)
    accept = ["temperature-low"] if w.drive.room[onset] < course.bulk[onset] - 6 else []
    return Label(
        "ph-out-of-range",
        "gutter-into-the-tub",
        onset,
        onset + 5 * DAY,
        "acid",
        accept=accept,
        need_harm=True,
    )


def _cold_days(w: World, course: Course, s: float) -> Label:
    """A cold front with no sun behind it; milder than what empties a heated room."""
    label = heat.cold_snap(w, course, 0.5 * s)
    dull = np.where(np.arange(w.n) >= label.onset, 0.35, 1.0)
    w.drive.sun_heat = np.where(w.drive.sun_heat > 0, w.drive.sun_heat * dull, w.drive.sun_heat)
    w.setup["daylight"] = w.setup["daylight"] * dull
    label.variant = "cold-front"
    return label


def _hot_days(w: World, course: Course, s: float) -> Label:
    return heat.heat_wave(w, course, 0.4 * s)


def _meters(w: World, course: Course, s: float) -> Label:
    """Probes fail as anywhere; a light meter's trouble shows by day only."""
    label = devices.probe_trouble(w, course, s)
    if label.quantity == "light":
        label.onset = w.step_of_day(int(w.quiet_days), float(w.rng.uniform(11 * 60, 14 * 60)))
        w.probes[-1]["from"] = label.onset
        label.deadline = label.onset + 24 * HOUR
    return label


def _wide(world: World, plain: Course, setup: dict[str, Any]) -> None:
    """Animals that bear a yard: the limits are those of the weather that its keeper has seen."""
    setup["temperature_low"] = min(setup["temperature_low"], float(np.floor(plain.bulk.min() - 2)))
    setup["temperature_high"] = max(setup["temperature_high"], float(np.ceil(plain.bulk.max() + 1.5)))
    # else it would be past its limit on every bright day, in truth
    if plain.ph.max() > PH_HIGH_LEFT_OUT - 0.2:
        setup["give_ph_limits"] = True


TUB = Kind(
    "tub",
    "outdoors from May to September: sun, rain and wind, no heater, no lamp, no gas",
    needs={"volume": (60, 400), "heater": False, "season": (118, 240)},
    tank=_tub,
    settle=_daylight,
    setup=_wide,
    faults={
        "ph-out-of-range": [Fault({}, (5, 7), _from_the_gutter), FAULTS["ph-out-of-range"][1]],
        "temperature-high": [Fault({}, (5, 7), _hot_days)],
        "temperature-low": [Fault({"heater": False}, (5, 7), _cold_days)],
        "probe-fault": [Fault({}, (2, 3), _meters)],
    },
    never=frozenset(
        {
            "setting-doubtful",
            "co2-overdose",
            "co2-absent",
            "heater-stuck-on",
            "heater-not-heating",
            "cooling-not-cooling",
            "light-schedule-drift",
            "light-missing",
            "light-stuck-on",
            "light-dimming",
            "power-interrupted",
            "stray-current-suspected",
        }
    ),
)
