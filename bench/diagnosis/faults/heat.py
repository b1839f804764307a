"""Heaters, coolers and the weather."""

from __future__ import annotations

import numpy as np

from bench.diagnosis.faults.label import Label, first, onset_of
from bench.diagnosis.tank import Course
from bench.diagnosis.world import DAY, HOUR, World


def heater_welded(w: World, course: Course, s: float) -> Label:
    onset = first(course.heat_called > 0, onset_of(w))
    if s < 0.35:  # the thermostat itself wanders upwards
        w.drive.heater_shift = np.clip((np.arange(w.n) - onset) / (12 * HOUR), 0, 1) * w.rng.uniform(4, 7)
        return Label(
            "heater-stuck-on",
            "thermostat-wanders",
            onset,
            onset + 48 * HOUR,
            "warm",
            accept=["temperature-high"],
        )
    w.drive.heater_forced = (np.arange(w.n) >= onset) * 1.0
    return Label("heater-stuck-on", "contacts-welded", onset, onset + 24 * HOUR, "warm")


def heater_dead(w: World, course: Course, s: float) -> Label:
    begin = onset_of(w)
    onset = first(course.heat_called > 0, begin)
    w.drive.heater_gain = w.drive.heater_gain * np.where(np.arange(w.n) >= begin, 0.35 * (1 - s) ** 2, 1.0)
    return Label(
        "heater-not-heating", "heater-dead" if s > 0.5 else "heater-weak", onset, onset + 36 * HOUR, "cold"
    )


def cooler_dead(w: World, course: Course, s: float) -> Label:
    begin = onset_of(w)
    onset = first(course.cool_called > 0, begin)
    w.drive.cooler_gain = w.drive.cooler_gain * np.where(np.arange(w.n) >= begin, 0.4 * (1 - s) ** 2, 1.0)
    return Label("cooling-not-cooling", f"{w.tank.cooler}-stopped", onset, onset + 36 * HOUR, "warm")


def heat_wave(w: World, course: Course, s: float) -> Label:
    onset = onset_of(w, 5 * 60, 10 * 60)
    rise = 7 + 7 * s
    ramp = np.clip((np.arange(w.n) - onset) / ((3.5 - 2.7 * s) * DAY), 0, 1)
    w.drive.room += rise * ramp + (1 + 2 * s) * ramp * np.sin(2 * np.pi * (w.local - 560) / 1440)
    return Label("temperature-high", "heat-wave", onset, onset + 5 * DAY, "warm", need_harm=True)


def cold_snap(w: World, course: Course, s: float) -> Label:
    onset = onset_of(w, 16 * 60, 24 * 60)
    ramp = np.clip((np.arange(w.n) - onset) / ((2.5 - 2 * s) * DAY), 0, 1)
    w.drive.room = np.maximum(w.drive.room - (7 + 8 * s) * ramp, np.minimum(w.drive.room, 4.0))
    accept = ["heater-not-heating"] if w.tank.heater_w else []
    name = "heater-too-small" if w.tank.heater_w else "no-heater"
    return Label("temperature-low", name, onset, onset + 5 * DAY, "cold", accept=accept, need_harm=True)
