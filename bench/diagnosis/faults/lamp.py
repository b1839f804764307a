"""The lamp and its timer."""

from __future__ import annotations

import numpy as np

from bench.diagnosis.faults.label import Label, first, onset_of
from bench.diagnosis.schedules import dose_now
from bench.diagnosis.tank import Course
from bench.diagnosis.world import DAY, HOUR, World


def timer_drifts(w: World, course: Course, s: float) -> Label:
    onset = onset_of(w)
    per_day = (2.5 + 12 * s) * w.rng.choice([-1, 1])
    w.lamp_timer += per_day * np.clip(np.arange(w.n) - onset, 0, None) / DAY
    late = onset + int((12.5 / abs(per_day) + 2.0) * DAY)
    return Label("light-schedule-drift", "timer-drifts", onset, late)


def timer_jumps(w: World, course: Course, s: float) -> Label:
    cut = onset_of(w)
    length = int(w.rng.uniform(5, 25 + 120 * s) * 2)
    w.drive.mains[cut : cut + length] = 0
    late = (length / 2) if w.rng.random() < 0.5 and length > 60 else (25 + 280 * s) * w.rng.choice([-1, 1])
    w.lamp_timer += np.where(np.arange(w.n) >= cut, late, 0.0)
    w.drive.dose = dose_now(w)
    onset = cut
    return Label(
        "light-schedule-drift",
        "timer-jumps-after-power-cut",
        onset,
        onset + 36 * HOUR,
        excused=["power-interrupted", "light-missing", "light-stuck-on", "probe-fault/heater_power"],
    )


def timer_without_dst(w: World, course: Course, s: float) -> Label:
    shift = w.offset_min - w.offset_min[0]
    onset = int(np.flatnonzero(shift)[0])
    w.lamp_timer += shift  # the timer keeps the old time
    w.valve_timer += shift * float(w.rng.random() < 0.5)
    w.drive.dose = dose_now(w)
    return Label(
        "light-schedule-drift",
        "timer-without-daylight-saving",
        onset,
        onset + 36 * HOUR,
        excused=["light-missing", "light-stuck-on", "co2-absent"],
    )


def lamp_dead(w: World, course: Course, s: float) -> Label:
    begin = onset_of(w)
    onset = first(w.drive.lamp > 0.5, begin)
    span = np.arange(w.n) >= onset
    if s < 0.3:  # one day only
        span &= np.arange(w.n) < onset + DAY
    w.lamp_output *= np.where(span, 0.08 * w.rng.random() * (s < 0.6), 1.0)
    return Label("light-missing", "lamp-dead", onset, onset + 2 * HOUR, end=onset + DAY if s < 0.3 else None)


def lamp_stays_on(w: World, course: Course, s: float) -> Label:
    dark = (course_lamp := w.drive.lamp) <= 1.1 * w.night_level
    onset = first(dark & (np.roll(course_lamp, 1) > 0), onset_of(w))
    level = 0.12 + 0.88 * s
    span = np.arange(w.n) >= onset
    if s < 0.3:
        span &= np.arange(w.n) < onset + int(0.9 * DAY)
    w.probes.append({"kind": "floor", "level": level, "span": span})
    return Label(
        "light-stuck-on",
        "lamp-stays-on",
        onset,
        onset + 2 * HOUR,
        end=onset + int(0.9 * DAY) if s < 0.3 else None,
    )


def lamp_dims(w: World, course: Course, s: float) -> Label:
    onset = onset_of(w)
    per_day = 0.012 + 0.03 * s
    x = np.clip(np.arange(w.n) - onset, 0, None) / DAY
    w.lamp_output *= np.maximum(1 - per_day * x, 0.35)
    w.probes = [p for p in w.probes if p["kind"] != "film"]
    return Label("light-dimming", "lamp-ages", onset, onset + int(0.3 / per_day * DAY) + 2 * DAY)
