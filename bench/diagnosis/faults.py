"""The faults: each changes a world from an onset on and says what should be found, and by when.

`severity` runs from 0 (mild) to 1 (brutal). A fault's `deadline_h` stands in for harm where nothing acute
happens; `harm` names the truth to watch for the livestock's limit (see `scenarios.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bench.diagnosis.tank import Array, Course
from bench.diagnosis.world import DAY, HOUR, World, dose_now


@dataclass
class Label:
    """The truth about one fault. Steps count from the start of the run."""

    alarm: str
    variant: str
    onset: int
    deadline: int
    harm: str = ""  # "co2", "warm", "cold", "acid", "alkaline" or "" for no acute harm
    quantity: str = ""
    accept: list[str] = field(default_factory=list)  # as good as the right name
    excused: list[str] = field(default_factory=list)  # true side effects: neither right nor false
    end: int | None = None
    need_harm: bool = False  # the scenario is drawn again if the limit is not crossed
    visible: bool = True  # drawn again if the readings can't show it


Apply = Callable[[World, Course, float], Label]


@dataclass(frozen=True)
class Fault:
    """How a fault is made: what the tank needs, days after the quiet ones, and the change itself."""

    needs: dict[str, Any]
    extra_days: tuple[int, int]
    apply: Apply


def _onset(world: World, lo: int = 0, hi: int = 1440) -> int:
    return world.step_of_day(int(world.quiet_days), float(world.rng.integers(lo, hi)))


def _first(mask: Array, start: int) -> int:
    hits = np.flatnonzero(mask[start:])
    return start + int(hits[0]) if len(hits) else start


def _valve(world: World) -> Array:
    t = world.tank
    return ((world.local - t.co2_on) % 1440 < (t.co2_off - t.co2_on) % 1440).astype(float)


# --- carbon dioxide -----------------------------------------------------------------------------------------
def regulator_dump(w: World, course: Course, s: float) -> Label:
    on = _first(_valve(w) > 0, _onset(w))
    on += int(w.rng.uniform(0, 4) * HOUR)
    factor = 1.6 * (18 / 1.6) ** s * w.rng.uniform(0.9, 1.2)
    # at once when the bottle runs empty under its regulator, or creeping for up to two days
    minutes = np.exp(w.rng.uniform(0, np.log(90 if s > 0.5 else 2880)))
    grow = np.clip((np.arange(w.n) - on) / (minutes * 2), 0, 1)
    w.source_output *= 1 + (factor - 1) * grow
    # a solenoid holds back a mild excess, not the whole bottle's pressure
    valve = np.maximum(_valve(w), (np.arange(w.n) >= on) * 1.0) if s > 0.6 else None
    w.drive.dose = dose_now(w, valve)
    return Label("co2-overdose", "regulator-dump", on, on + 48 * HOUR, "co2", need_harm=True)


def valve_stuck_open(w: World, course: Course, s: float) -> Label:
    onset = _first((np.diff(_valve(w), append=0) < 0), _onset(w)) + 1
    after = np.arange(w.n) >= onset
    w.source_output *= np.where(after, 1.15 + 0.6 * s, 1.0)
    w.drive.dose = dose_now(w, np.maximum(_valve(w), after * 1.0))
    return Label("co2-overdose", "valve-stuck-open", onset, onset + 24 * HOUR, "co2", need_harm=True)


def reactor_surge(w: World, course: Course, s: float) -> Label:
    onset = _onset(w, 17 * 60, 23 * 60)  # shaken, refilled or warmed in the evening
    x = np.arange(w.n) - onset
    factor = 1.8 * (9 / 1.8) ** s
    rise = np.clip(x / (w.rng.uniform(0.2, 3) * HOUR), 0, 1)
    fall = np.exp(-np.clip(x - 6 * HOUR, 0, None) / (w.rng.uniform(6, 30) * HOUR))
    w.source_output *= 1 + (factor - 1) * rise * fall
    w.drive.dose = dose_now(w)
    return Label("co2-overdose", "reactor-night-surge", onset, onset + 24 * HOUR, "co2", need_harm=True)


def co2_runs_out(w: World, course: Course, s: float) -> Label:
    begin = _onset(w)
    x = np.arange(w.n) - begin
    fade = (1 + 71 * (1 - s) ** 2) * HOUR * w.rng.uniform(0.7, 1.2)
    left = np.clip(1 - x / fade, 0.0, 1.0)
    if w.tank.source != "cylinder":
        left = np.maximum(left, 0.08 * (1 - s))
    w.source_output *= left
    w.drive.dose = dose_now(w)
    low = (left < 0.9) & ((_valve(w) > 0) | (w.tank.source != "cylinder"))
    onset = _first(low, begin)
    gone = _first((left < 0.3) & ((_valve(w) > 0) | (w.tank.source != "cylinder")), begin)
    name = "cylinder-empty" if w.tank.source == "cylinder" else "reactor-spent"
    return Label("co2-absent", name, onset, max(gone, onset) + 30 * HOUR)


def valve_stuck_shut(w: World, course: Course, s: float) -> Label:
    begin = _onset(w)
    onset = _first(_valve(w) > 0, begin)
    x = np.arange(w.n) >= onset
    w.source_output *= np.where(x, 0.25 * (1 - s), 1.0)
    w.drive.dose = dose_now(w)
    return Label("co2-absent", "valve-stuck-shut", onset, onset + 24 * HOUR)


# --- pH -----------------------------------------------------------------------------------------------------
def hardness_runs_out(w: World, course: Course, s: float) -> Label:
    onset = _onset(w)
    days = 6 - 4.5 * s
    left = w.rng.uniform(0.93, 1.005)  # nitrification slows to a stop in acid water
    after = np.arange(w.n) >= onset
    w.drive.alkalinity_rate = np.where(after, -w.tank.kh * left / (days * 24), 0.0)
    stop = onset + int(days * DAY)
    w.drive.alkalinity_rate[stop:] = 0.0
    w.drive.changes = {k: v for k, v in w.drive.changes.items() if k < onset}  # nobody at home
    return Label("ph-out-of-range", "hardness-runs-out", onset, onset + 7 * DAY, "acid", need_harm=True)


def something_alkaline(w: World, course: Course, s: float) -> Label:
    onset = _onset(w)
    hours = 24 * (1 - s) + 1
    span = (np.arange(w.n) >= onset) & (np.arange(w.n) < onset + hours * HOUR)
    rise = (1.5 + 6 * s) * max(w.tank.kh / 4, 0.7) * w.rng.uniform(0.8, 1.3)
    w.drive.alkalinity_rate = np.where(span, rise / hours, 0.0)
    return Label(
        "ph-out-of-range", "something-alkaline", onset, onset + 3 * DAY, "alkaline", accept=[], need_harm=True
    )


# --- temperature --------------------------------------------------------------------------------------------
def heater_welded(w: World, course: Course, s: float) -> Label:
    onset = _first(course.heat_called > 0, _onset(w))
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
    begin = _onset(w)
    onset = _first(course.heat_called > 0, begin)
    w.drive.heater_gain = w.drive.heater_gain * np.where(np.arange(w.n) >= begin, 0.35 * (1 - s) ** 2, 1.0)
    return Label(
        "heater-not-heating", "heater-dead" if s > 0.5 else "heater-weak", onset, onset + 36 * HOUR, "cold"
    )


def cooler_dead(w: World, course: Course, s: float) -> Label:
    begin = _onset(w)
    onset = _first(course.cool_called > 0, begin)
    w.drive.cooler_gain = w.drive.cooler_gain * np.where(np.arange(w.n) >= begin, 0.4 * (1 - s) ** 2, 1.0)
    return Label("cooling-not-cooling", f"{w.tank.cooler}-stopped", onset, onset + 36 * HOUR, "warm")


def heat_wave(w: World, course: Course, s: float) -> Label:
    onset = _onset(w, 5 * 60, 10 * 60)
    rise = 7 + 7 * s
    ramp = np.clip((np.arange(w.n) - onset) / ((3.5 - 2.7 * s) * DAY), 0, 1)
    w.drive.room += rise * ramp + (1 + 2 * s) * ramp * np.sin(2 * np.pi * (w.local - 560) / 1440)
    return Label("temperature-high", "heat-wave", onset, onset + 5 * DAY, "warm", need_harm=True)


def cold_snap(w: World, course: Course, s: float) -> Label:
    onset = _onset(w, 16 * 60, 24 * 60)
    ramp = np.clip((np.arange(w.n) - onset) / ((2.5 - 2 * s) * DAY), 0, 1)
    w.drive.room = np.maximum(w.drive.room - (7 + 8 * s) * ramp, np.minimum(w.drive.room, 4.0))
    accept = ["heater-not-heating"] if w.tank.heater_w else []
    name = "heater-too-small" if w.tank.heater_w else "no-heater"
    return Label("temperature-low", name, onset, onset + 5 * DAY, "cold", accept=accept, need_harm=True)


# --- lamp ---------------------------------------------------------------------------------------------------
def timer_drifts(w: World, course: Course, s: float) -> Label:
    onset = _onset(w)
    per_day = (2.5 + 12 * s) * w.rng.choice([-1, 1])
    w.lamp_timer += per_day * np.clip(np.arange(w.n) - onset, 0, None) / DAY
    late = onset + int((12.5 / abs(per_day) + 2.0) * DAY)
    return Label("light-schedule-drift", "timer-drifts", onset, late)


def timer_jumps(w: World, course: Course, s: float) -> Label:
    cut = _onset(w)
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
    begin = _onset(w)
    onset = _first(w.drive.lamp > 0.5, begin)
    span = np.arange(w.n) >= onset
    if s < 0.3:  # one day only
        span &= np.arange(w.n) < onset + DAY
    w.lamp_output *= np.where(span, 0.08 * w.rng.random() * (s < 0.6), 1.0)
    return Label("light-missing", "lamp-dead", onset, onset + 2 * HOUR, end=onset + DAY if s < 0.3 else None)


def lamp_stays_on(w: World, course: Course, s: float) -> Label:
    dark = (course_lamp := w.drive.lamp) <= 0.0
    onset = _first(dark & (np.roll(course_lamp, 1) > 0), _onset(w))
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
    onset = _onset(w)
    per_day = 0.012 + 0.03 * s
    x = np.clip(np.arange(w.n) - onset, 0, None) / DAY
    w.lamp_output *= np.maximum(1 - per_day * x, 0.35)
    w.probes = [p for p in w.probes if p["kind"] != "film"]
    return Label("light-dimming", "lamp-ages", onset, onset + int(0.3 / per_day * DAY) + 2 * DAY)


# --- probes and device --------------------------------------------------------------------------------------
def probe_trouble(w: World, course: Course, s: float) -> Label:
    rng = w.rng
    quantity = str(rng.choice(["temperature", "ph", "light", "room_temperature"], p=[0.35, 0.4, 0.15, 0.1]))
    kinds = ["stuck", "empty", "noisy", "impossible", "intermittent"]
    if quantity in ("temperature", "ph"):
        kinds += ["out-of-water", "out-of-water"]
    if quantity in ("temperature", "room_temperature"):
        kinds += ["disconnected"]
    kind = str(rng.choice(kinds))
    onset = _onset(w)
    gap = abs(float(course.temperature[onset] - w.drive.room[onset]))
    if quantity == "light":
        onset = _first(w.drive.lamp > 0.9, onset)
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
    onset = _onset(w)
    length = int((1.5 + 46 * s**2) * HOUR)
    w.silences.append((onset, onset + length))
    return Label("device-silent", "no-reports", onset, onset + HOUR, end=onset + length)


def mains_fails(w: World, course: Course, s: float) -> Label:
    rng = w.rng
    onset = _onset(w)
    if rng.random() < 0.75:
        onset = _first((w.drive.lamp > 0.5) & (np.roll(w.drive.lamp, -2 * HOUR) > 0.5), onset)
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
    onset = _onset(w)
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


# --- settings ---------------------------------------------------------------------------------------------
# Wrong from the first day, in a tank where nothing else is; `scenarios.py` writes them so.
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


FAULTS: dict[str, list[Fault]] = {
    "setting-doubtful": [
        Fault({"source": "cylinder"}, (6, 7), wrong_hardness),
        Fault({"source": "yeast"}, (6, 7), wrong_hardness),
        Fault({}, (6, 7), wrong_hours),
        Fault({"heater": True, "room": "cold"}, (6, 7), wrong_setpoint),
    ],
    "co2-overdose": [
        Fault({"source": "cylinder"}, (2, 3), regulator_dump),
        Fault({"source": "cylinder"}, (2, 3), valve_stuck_open),
        Fault({"source": "yeast"}, (2, 3), reactor_surge),
        Fault({"source": "citric-acid"}, (2, 3), reactor_surge),
    ],
    "co2-absent": [
        Fault({"source": "cylinder"}, (4, 6), co2_runs_out),
        Fault({"source": "cylinder"}, (3, 4), valve_stuck_shut),
        Fault({"source": "yeast"}, (5, 7), co2_runs_out),
    ],
    "ph-out-of-range": [Fault({}, (7, 9), hardness_runs_out), Fault({}, (3, 5), something_alkaline)],
    "heater-stuck-on": [Fault({"heater": True, "room": "cold"}, (3, 4), heater_welded)],
    "heater-not-heating": [Fault({"heater": True, "room": "cold"}, (3, 4), heater_dead)],
    "cooling-not-cooling": [
        Fault({"cooler": "fan", "room": "warm"}, (3, 4), cooler_dead),
        Fault({"cooler": "chiller", "room": "warm"}, (3, 4), cooler_dead),
    ],
    "temperature-high": [Fault({"no_cooler": True}, (5, 7), heat_wave)],
    "temperature-low": [
        Fault({"heater": True, "room": "cold"}, (5, 7), cold_snap),
        Fault({"heater": False}, (5, 7), cold_snap),
    ],
    "light-schedule-drift": [
        Fault({}, (5, 10), timer_drifts),
        Fault({}, (3, 4), timer_jumps),
        Fault({"dst": True}, (4, 5), timer_without_dst),
    ],
    "light-missing": [Fault({}, (2, 3), lamp_dead)],
    "light-stuck-on": [Fault({}, (2, 3), lamp_stays_on)],
    "light-dimming": [Fault({}, (16, 20), lamp_dims)],
    "probe-fault": [Fault({}, (2, 3), probe_trouble)],
    "device-silent": [Fault({}, (3, 4), device_stops)],
    "power-interrupted": [Fault({"heater": True}, (2, 3), mains_fails)],
    "stray-current-suspected": [Fault({"heater": True}, (3, 4), stray_current)],
}
__all__ = ["FAULTS", "Fault", "Label"]
