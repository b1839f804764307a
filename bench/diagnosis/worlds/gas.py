"""Other ways to give gas: a pH controller, never switched, kept near the limit or kept low."""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.diagnosis.faults import FAULTS, Fault, Label, gas
from bench.diagnosis.faults.label import onset_of
from bench.diagnosis.probes import electrode_error
from bench.diagnosis.schedules import dose_now, gas_hours
from bench.diagnosis.tank import Course, ph_of
from bench.diagnosis.world import DAY, HOUR, World
from bench.diagnosis.worlds.kind import Kind
from rushlight.simulator.conditions import FROZEN, OPEN, SHUT, WORKS

__all__ = ["ALWAYS", "CONTROLLER", "LOW_GAS", "NEAR_LIMIT"]

_FAILS = {  # what a probe's trouble makes of the controller's valve
    "recalibration": SHUT,  # its owner shuts the gas for it
    "bared": SHUT,
    "stuck": FROZEN,
    "out-of-water": FROZEN,
    "empty": SHUT,  # no reading, no gas
}


# --- a pH controller ----------------------------------------------------------------------------------------
def _controlled(world: World) -> None:
    rng, tank = world.rng, world.tank
    tank.gas_hours = bool(rng.random() < 0.4)  # the rest is controlled all day
    tank.headroom = rng.uniform(1.3, 3.5)
    tank.ph_hysteresis = rng.uniform(0.02, 0.1)
    tank.ph_lag_s = rng.uniform(15, 120)
    world.setup = {
        "ph_probe": True,
        "ph_lag": tank.ph_lag_s,
        "ph_offset": rng.uniform(-0.1, 0.1),
        "ph_creep": rng.uniform(-0.15, 0.15),
    }
    # set by an indicator in the tank, so that the gas is right whatever the probe reads
    right = ph_of(tank, tank.setpoint, tank.co2_target) + world.setup["ph_offset"]
    tank.ph_setpoint = round(right * 20) / 20


def _settle(world: World) -> None:
    """What the controller sees of its electrode."""
    mode = np.full(world.n, WORKS)
    held = world.drive.valve_mode
    if held is not None:
        mode = np.where(held == OPEN, OPEN, mode)
    for mark in world.probes:
        if mark.get("quantity") != "ph":
            continue
        if mark["kind"] == "recalibration":
            mark.setdefault("left", float(world.rng.normal(0, 0.02)))
        span = slice(mark.get("from", 0), mark.get("to", world.n))
        if mark["kind"] == "impossible":
            mode[span] = OPEN if mark["value"] > world.tank.ph_setpoint else SHUT
        elif mark["kind"] in _FAILS:
            mode[span] = _FAILS[mark["kind"]]
        elif mark["kind"] == "coupled" and mark["device"] == "heater":
            world.drive.coupled = np.where(np.arange(world.n) >= mark["from"], mark["offset"], 0.0)
    world.drive.valve_mode = mode
    error = electrode_error(world, world.setup, world.rng)
    for mark in world.probes:
        if mark["kind"] == "coupled" and mark["device"] == "lamp":
            lit = (world.drive.lamp > 0.02) & (np.arange(world.n) >= mark["from"])
            error = error + mark["offset"] * lit
    world.drive.probe_error = error


def _write_setpoint(world: World, plain: Course, setup: dict[str, Any]) -> None:
    setup["give_valve"] = True
    world.lines["co2"] = ['control = "ph-controller"', f"ph_setpoint = {world.tank.ph_setpoint:g}"]


def _raise_setpoint(world: World, factor: float) -> None:
    world.tank.ph_setpoint = np.ceil((world.tank.ph_setpoint - np.log10(factor)) * 20) / 20


def _side_effects(world: World, label: Label) -> None:
    """A controller that is blind, or led by a wrong reading, gives too much or too little."""
    if label.quantity == "ph" and label.alarm in ("probe-fault", "stray-current-suspected"):
        label.excused += ["co2-absent", "ph-out-of-range"]


def _creeps_high(w: World, course: Course, s: float) -> Label:
    """The electrode reads higher from day to day, and the controller gives more gas for the same reading."""
    onset = onset_of(w)
    per_day = 0.06 * (0.6 / 0.06) ** s
    w.probes = [p for p in w.probes if p["kind"] != "recalibration" or p["to"] < onset]
    w.probes.append({"kind": "creep", "quantity": "ph", "from": onset, "to": w.n, "per_day": per_day})
    accept = ["probe-fault"]
    return Label(
        "co2-overdose",
        "controller-probe-creeps-high",
        onset,
        onset + 8 * DAY,
        "co2",
        accept=accept,
        need_harm=True,
    )


def _valve_leaks(w: World, course: Course, s: float) -> Label:
    """The valve sticks open, whatever the controller says; the gas may come faster, too."""
    onset = onset_of(w)
    after = np.arange(w.n) >= onset
    w.drive.valve_mode = np.where(after, OPEN, WORKS)
    w.source_output *= np.where(after, 1 + 3 * s * s, 1.0)
    w.drive.dose = dose_now(w, np.maximum(after * 1.0, gas_hours(w, w.valve_timer)))
    return Label(
        "co2-overdose", "controller-valve-stuck-open", onset, onset + 48 * HOUR, "co2", need_harm=True
    )


def _harder_water(w: World, course: Course, s: float) -> Label:
    """Hardness rises while the controller holds the pH: the gas rises with it."""
    onset = onset_of(w)
    hours = 1 + 47 * (1 - s)
    rise = w.tank.kh * (0.5 + 1.3 * s) * w.rng.uniform(0.9, 1.3)
    span = (np.arange(w.n) >= onset) & (np.arange(w.n) < onset + hours * HOUR)
    w.drive.alkalinity_rate = np.where(span, rise / hours, 0.0)
    return Label(
        "co2-overdose",
        "harder-water-at-a-held-ph",
        onset,
        onset + 5 * DAY,
        "co2",
        accept=["ph-out-of-range", "setting-doubtful"],
        need_harm=True,
    )


CONTROLLER = Kind(
    "ph-controller",
    "the gas valve is switched by the probe's own reading",
    needs={"source": "cylinder"},
    tank=_controlled,
    settle=_settle,
    setup=_write_setpoint,
    after=_side_effects,
    calm=_raise_setpoint,
    faults={
        "co2-overdose": [
            Fault({}, (6, 8), _creeps_high),
            Fault({}, (2, 3), _valve_leaks),
            Fault({}, (4, 5), _harder_water),
        ],
        "ph-out-of-range": FAULTS["ph-out-of-range"][:1],  # what makes water alkaline makes gas here
    },
    keys=("control", "ph_setpoint"),
)


# --- how much -----------------------------------------------------------------------------------------------
def _near(world: World) -> None:
    world.tank.co2_target = world.tank.co2_limit * world.rng.uniform(0.82, 0.93)


NEAR_LIMIT = Kind(
    "near-limit",
    "the gas is kept near the livestock's limit every day",
    tank=_near,
    near=(0.0, 0.94, 0.99),
)


def _low(world: World) -> None:
    world.tank.co2_target = world.tank.co2_limit * world.rng.uniform(0.15, 0.32)


LOW_GAS = Kind("low-gas", "keepers who give little gas: 4 to 10 mg/L by day", tank=_low)


def _never_switched(world: World) -> None:
    world.tank.gas_hours = False
    world.lines["co2"] = ['control = "always"']


def _night_surge(w: World, course: Course, s: float) -> Label:
    """The regulator gives way in the evening, for some hours."""
    label = gas.reactor_surge(w, course, s)
    label.variant = "regulator-night-surge"
    return label


ALWAYS = Kind(
    "always",
    "gas from a cylinder that nothing switches",
    needs={"source": "cylinder"},
    tank=_never_switched,
    faults={
        "co2-overdose": [Fault({}, (2, 3), gas.regulator_dump), Fault({}, (2, 3), _night_surge)],
        "co2-absent": [Fault({}, (4, 6), gas.co2_runs_out)],
    },
    keys=("control",),
)
