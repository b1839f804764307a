"""Settings that are wrong from the first day, in a tank where nothing else is; `keeper.py` writes them so."""

from __future__ import annotations

from bench.diagnosis.faults.label import Label
from bench.diagnosis.tank import Course
from bench.diagnosis.world import World


def wrong_hardness(w: World, course: Course, s: float) -> Label:
    """KH in mg/L as CaCO3, or a digit lost: a factor of four to ten up, or of eight to twenty down."""
    up = w.rng.random() < 0.6
    w.wrong["kh"] = float((4 + 6 * s) if up else 1 / (8 + 12 * s))
    return _wrong(w, "hardness", "ph", ["co2-overdose"] if up else [])


def wrong_hours(w: World, course: Course, s: float) -> Label:
    """The lamp's hours an hour and more off, as by a change of the clocks nobody wrote down."""
    w.wrong["light"] = float(w.rng.choice([-1, 1]) * round(60 + 120 * s))
    return _wrong(w, "lamp's-hours", "light", ["light-missing", "light-stuck-on", "light-schedule-drift"])


def wrong_setpoint(w: World, course: Course, s: float) -> Label:
    w.wrong["setpoint"] = float(w.rng.choice([-1, 1]) * (2.6 + 1.4 * s))
    return _wrong(w, "setpoint", "temperature", ["heater-stuck-on", "heater-not-heating"])


def _wrong(w: World, variant: str, quantity: str, excused: list[str]) -> Label:
    deadline = w.step_of_day(6, 0)
    return Label("setting-doubtful", variant, 1, deadline, quantity=quantity, excused=excused)
