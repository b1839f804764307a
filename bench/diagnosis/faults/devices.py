"""Probes, the board, the mains."""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.diagnosis.faults.label import Label, first, onset_of
from bench.diagnosis.schedules import dose_now
from bench.diagnosis.tank import Course
from bench.diagnosis.world import HOUR, World


def probe_trouble(w: World, course: Course, s: float) -> Label:
    rng = w.rng
    quantity = str(rng.choice(["temperature", "ph", "light", "room_temperature"], p=[0.35, 0.4, 0.15, 0.1]))
    kinds = ["stuck", "empty", "noisy", "impossible", "intermittent"]
    if quantity in ("temperature", "ph"):
        kinds += ["out-of-water", "out-of-water"]
    if quantity in ("temperature", "room_temperature"):
        kinds += ["disconnected"]
    kind = str(rng.choice(kinds))
    onset = onset_of(w)
    gap = abs(float(course.temperature[onset] - w.drive.room[onset]))
    if quantity == "light":
        onset = first(w.drive.lamp > 0.9, onset)
    mark: dict[str, Any] = {"kind": kind, "quantity": quantity, "from": onset, "to": w.n}
    impossible = {
        "temperature": (85.0, -40.0, 61.0),
        "room_temperature": (85.0, -127.0),
        "ph": (0.0, 14.0, -0.4, 2.1),
        "light": (65535.0, -1.0),
    }
    if kind == "disconnected":
        mark["value"] = -127.0
    elif kind == "impossible":
        mark["value"] = float(rng.choice(impossible[quantity]))
    elif kind == "intermittent":
        mark["value"] = float("nan") if rng.random() < 0.6 else impossible[quantity][0]
        mark["share"] = 0.15 + 0.6 * s
    elif kind == "noisy":
        sigma = {"temperature": 0.4, "room_temperature": 0.6, "ph": 0.12, "light": 0.15 * w.tank.lamp_lux}[
            quantity
        ]
        mark["sigma"], mark["grows_s"] = sigma * (1 + 7 * s), (1 - s) * 6 * 3600 + 1
    elif kind == "out-of-water":
        mark["wander"] = 0.2 + s
    hours = {
        "stuck": 24,
        "empty": 1,
        "disconnected": 1,
        "impossible": 1,
        "noisy": 8,
        "intermittent": 3,
        "out-of-water": 6,
    }[kind]
    w.probes.append(mark)
    return Label(
        "probe-fault",
        f"{quantity}-{kind}",
        onset,
        onset + hours * HOUR,
        quantity=quantity,
        visible=gap > 2.5 or (quantity, kind) != ("temperature", "out-of-water"),
    )


def device_stops(w: World, course: Course, s: float) -> Label:
    onset = onset_of(w)
    length = int((1.5 + 46 * s**2) * HOUR)
    w.silences.append((onset, onset + length))
    return Label("device-silent", "no-reports", onset, onset + HOUR, end=onset + length)


def mains_fails(w: World, course: Course, s: float) -> Label:
    rng = w.rng
    onset = onset_of(w)
    if rng.random() < 0.75:
        onset = first((w.drive.lamp > 0.5) & (np.roll(w.drive.lamp, -2 * HOUR) > 0.5), onset)
    length = int((0.6 + 22 * s**1.5) * HOUR)
    w.drive.mains[onset : onset + length] = 0
    w.drive.dose = dose_now(w)
    lit = w.drive.lamp[onset] > 0.5
    gap = float(course.temperature[onset] - w.drive.room[onset])
    deadline = onset + (HOUR if lit else 4 * HOUR)
    label = Label("power-interrupted", "device-on-battery", onset, deadline, "cold", end=onset + length)
    if rng.random() < 0.3:
        w.silences.append((onset, onset + length + int(rng.uniform(0, 3)) * 2))
        label.variant, label.accept = "device-down-too", ["device-silent"]
    elif not lit:  # only the cooling tells
        label.variant, label.accept = "at-night", ["heater-not-heating"]
        label.visible = gap > 3 and length > 3 * HOUR
    elif gap < 2.5 or length < HOUR:
        label.variant, label.accept = "seen-by-lamp-only", ["light-missing"]
    label.excused = ["light-missing", "heater-not-heating", "co2-absent", "temperature-low", "device-silent"]
    label.excused.append("probe-fault/heater_power")
    return label


def stray_current(w: World, course: Course, s: float) -> Label:
    onset = onset_of(w)
    duty = float((course.heating[onset:] > 0).mean())
    device = "lamp" if w.rng.random() < 0.5 else "heater"
    offset = (0.1 + 0.7 * s) * float(w.rng.choice([-1, 1]))
    w.probes.append(
        {
            "kind": "coupled",
            "quantity": "ph",
            "from": onset,
            "to": w.n,
            "device": device,
            "offset": offset,
            "flutter": 0.02 + 0.05 * s,
            "heating": course.heating,
        }
    )
    visible = device == "lamp" or 0.05 < duty < 0.95  # a heater that never switches can't be told
    end = onset + 36 * HOUR
    return Label("stray-current-suspected", f"with-{device}", onset, end, quantity="ph", visible=visible)
