"""Too much gas, too little of it, and water whose hardness changes."""

from __future__ import annotations

import numpy as np

from bench.diagnosis.faults.label import Label, first, onset_of
from bench.diagnosis.schedules import dose_now, gas_hours
from bench.diagnosis.tank import Course
from bench.diagnosis.world import DAY, HOUR, World


def regulator_dump(w: World, course: Course, s: float) -> Label:
    on = first(gas_hours(w) > 0, onset_of(w))
    on += int(w.rng.uniform(0, 4) * HOUR)
    factor = 1.6 * (18 / 1.6) ** s * w.rng.uniform(0.9, 1.2)
    # at once when the bottle runs empty under its regulator, or creeping for up to two days
    minutes = np.exp(w.rng.uniform(0, np.log(90 if s > 0.5 else 2880)))
    grow = np.clip((np.arange(w.n) - on) / (minutes * 2), 0, 1)
    w.source_output *= 1 + (factor - 1) * grow
    # a solenoid holds back a mild excess, not the whole bottle's pressure
    held = np.maximum(gas_hours(w), (np.arange(w.n) >= on) * 1.0) if s > 0.6 else None
    w.drive.dose = dose_now(w, held)
    return Label("co2-overdose", "regulator-dump", on, on + 48 * HOUR, "co2", need_harm=True)


def valve_stuck_open(w: World, course: Course, s: float) -> Label:
    onset = first((np.diff(gas_hours(w), append=0) < 0), onset_of(w)) + 1
    after = np.arange(w.n) >= onset
    w.source_output *= np.where(after, 1.15 + 0.6 * s, 1.0)
    w.drive.dose = dose_now(w, np.maximum(gas_hours(w), after * 1.0))
    return Label("co2-overdose", "valve-stuck-open", onset, onset + 24 * HOUR, "co2", need_harm=True)


def reactor_surge(w: World, course: Course, s: float) -> Label:
    onset = onset_of(w, 17 * 60, 23 * 60)  # shaken, refilled or warmed in the evening
    x = np.arange(w.n) - onset
    factor = 1.8 * (9 / 1.8) ** s
    rise = np.clip(x / (w.rng.uniform(0.2, 3) * HOUR), 0, 1)
    fall = np.exp(-np.clip(x - 6 * HOUR, 0, None) / (w.rng.uniform(6, 30) * HOUR))
    w.source_output *= 1 + (factor - 1) * rise * fall
    w.drive.dose = dose_now(w)
    return Label("co2-overdose", "reactor-night-surge", onset, onset + 24 * HOUR, "co2", need_harm=True)


def co2_runs_out(w: World, course: Course, s: float) -> Label:
    begin = onset_of(w)
    x = np.arange(w.n) - begin
    fade = (1 + 71 * (1 - s) ** 2) * HOUR * w.rng.uniform(0.7, 1.2)
    left = np.clip(1 - x / fade, 0.0, 1.0)
    if w.tank.source != "cylinder":
        left = np.maximum(left, 0.08 * (1 - s))
    w.source_output *= left
    w.drive.dose = dose_now(w)
    low = (left < 0.9) & ((gas_hours(w) > 0) | (w.tank.source != "cylinder"))
    onset = first(low, begin)
    gone = first((left < 0.3) & ((gas_hours(w) > 0) | (w.tank.source != "cylinder")), begin)
    name = "cylinder-empty" if w.tank.source == "cylinder" else "reactor-spent"
    return Label("co2-absent", name, onset, max(gone, onset) + 30 * HOUR)


def valve_stuck_shut(w: World, course: Course, s: float) -> Label:
    begin = onset_of(w)
    onset = first(gas_hours(w) > 0, begin)
    x = np.arange(w.n) >= onset
    w.source_output *= np.where(x, 0.25 * (1 - s), 1.0)
    w.drive.dose = dose_now(w)
    return Label("co2-absent", "valve-stuck-shut", onset, onset + 24 * HOUR)


def hardness_runs_out(w: World, course: Course, s: float) -> Label:
    onset = onset_of(w)
    days = 6 - 4.5 * s
    left = w.rng.uniform(0.93, 1.005)  # nitrification slows to a stop in acid water
    after = np.arange(w.n) >= onset
    w.drive.alkalinity_rate = np.where(after, -w.tank.kh * left / (days * 24), 0.0)
    stop = onset + int(days * DAY)
    w.drive.alkalinity_rate[stop:] = 0.0
    w.drive.changes = {k: v for k, v in w.drive.changes.items() if k < onset}  # nobody at home
    return Label("ph-out-of-range", "hardness-runs-out", onset, onset + 7 * DAY, "acid", need_harm=True)


def something_alkaline(w: World, course: Course, s: float) -> Label:
    onset = onset_of(w)
    hours = 24 * (1 - s) + 1
    span = (np.arange(w.n) >= onset) & (np.arange(w.n) < onset + hours * HOUR)
    rise = (1.5 + 6 * s) * max(w.tank.kh / 4, 0.7) * w.rng.uniform(0.8, 1.3)
    w.drive.alkalinity_rate = np.where(span, rise / hours, 0.0)
    return Label(
        "ph-out-of-range", "something-alkaline", onset, onset + 3 * DAY, "alkaline", accept=[], need_harm=True
    )
