"""The truth about a run: when the fault began, when it harms, and which other alarms are true too."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from bench.diagnosis.faults import Label
from bench.diagnosis.tank import STEP_S, Array, Course, Tank
from bench.diagnosis.world import HOUR, World
from rushlight.simulator.chemistry import ALKALINITY_PER_DKH, CO2_MG_PER_MOL, table

__all__ = ["truth_of"]

SUSTAINED = 10 * 60 // STEP_S  # a limit counts as exceeded after ten minutes beyond it


def _crossed(x: Array, start: int) -> int | None:
    """First step from `start` on at which `x` has been true for SUSTAINED steps; None if never."""
    run = np.convolve(x[start:].astype(float), np.ones(SUSTAINED), mode="valid") >= SUSTAINED
    hits = np.flatnonzero(run)
    return start + int(hits[0]) + SUSTAINED - 1 if len(hits) else None


def truth_of(
    world: World, course: Course, label: Label | None, setup: dict[str, Any], severity: float
) -> dict[str, Any] | None:
    """What `truth.json` holds; None where the tank is not quiet before, or the wanted harm is not there."""

    def when(step: int) -> str:
        return (world.start + dt.timedelta(seconds=step * STEP_S)).strftime("%Y-%m-%dT%H:%M:%SZ")

    tank = world.tank
    if label and label.alarm == "light-schedule-drift":  # wrong only by a schedule
        setup["give_light"] = True
    t_low, t_high = setup["temperature_low"], setup["temperature_high"]
    beyond = {  # how far past the livestock's limit the truth is
        "co2": course.co2 / tank.co2_limit - 1,
        "warm": course.bulk - t_high,
        "cold": t_low - course.bulk,
        "acid": setup["ph_low"] - course.ph,
        "alkaline": course.ph - setup["ph_high"],
    }
    base = {
        "tank": tank.name,
        "kind": "fault" if label else "nominal",
        "begin": when(0),
        "end": when(world.n - 1),
        "quiet_days": world.quiet_days if label else world.days,
        "notes": world.notes,
        "timezone": world.zone,
        "true_kh": round(float(tank.kh), 2),
        "source": tank.source,
        "volume": tank.volume,
        "report_every_s": setup["report_every_s"],
        "settings_missing": [k[5:] for k, v in setup.items() if k.startswith("give_") and not v],
        "apparent_co2_peak": _apparent(tank, course, label, setup),
        "true_co2_peak_before": round(float(course.co2[: label.onset if label else world.n].max()), 1),
    }
    if world.excused:
        base["excused"] = world.excused
    if world.true_spans:
        base["true_spans"] = [[name, when(a), when(min(b, world.n - 1))] for name, a, b in world.true_spans]
    until = label.onset if label else world.n
    for name in ("co2", "warm", "cold"):  # the quiet part must be quiet in truth
        if (beyond[name][:until] > 0).any():
            return None
    if label is None:
        return base
    harm, acute, worse = label.deadline, False, None
    margin = {"co2": 0.25, "warm": 1.0, "cold": 1.0, "acid": 0.3, "alkaline": 0.3}
    if label.harm:
        crossed = _crossed(beyond[label.harm] > 0, label.onset)
        if crossed is None and label.need_harm:
            return None
        if crossed is not None:
            harm, acute = crossed, True
            worse = _crossed(beyond[label.harm] > margin[label.harm], label.onset)
    if label.alarm == "power-interrupted":
        harm = min(harm, label.deadline)
    accept, excused = list(label.accept), [*label.excused, *world.excused]
    after = slice(label.onset, None)
    consequences = {
        "co2-overdose": (beyond["co2"][after] > -0.05).any(),
        "temperature-high": (beyond["warm"][after] > -0.3).any(),
        "temperature-low": (beyond["cold"][after] > -0.3).any(),
        "ph-out-of-range": (np.maximum(beyond["acid"], beyond["alkaline"])[after] > 0).any(),
    }
    excused += [name for name, true in consequences.items() if true and name not in (label.alarm, *excused)]
    if label.alarm == "heater-stuck-on" and not setup["give_setpoint"] and not setup["power_meter"]:
        accept.append("temperature-high")
    if label.alarm == "heater-not-heating" and not setup["give_setpoint"] and not setup["power_meter"]:
        accept.append("temperature-low")
    return base | {
        "alarm": label.alarm,
        "variant": label.variant,
        "quantity": label.quantity,
        "accept": accept,
        "excused": excused,
        "onset": when(label.onset),
        "harm": when(min(harm, world.n - 1)),
        "acute": acute,
        "worse": when(worse) if worse is not None else None,
        "fault_end": when(min(label.end, world.n - 1)) if label.end else None,
        "severity": round(severity, 3),
        "peak_co2": round(float(course.co2[label.onset :].max()), 1),
        "peak_temperature": round(float(course.bulk[label.onset :].max()), 2),
        "lowest_temperature": round(float(course.bulk[label.onset :].min()), 2),
    }


def _apparent(tank: Tank, course: Course, label: Label | None, setup: dict[str, Any]) -> float:
    """Highest CO2 (mg/L) before the fault by exact chemistry from the *settings'* KH and the pH as read.

    Where it is over the limit in a quiet run, the owner's KH or the probe is wrong, not the diagnosis alone.
    """
    until = label.onset if label else len(course.ph)
    k = table(tank.ionic)[int(tank.setpoint * 4)]
    ph = course.ph[:until] + setup["ph_offset"] + setup["ph_creep"] * np.arange(until) / (30 * 24 * HOUR)
    return round(float((setup["kh"] * ALKALINITY_PER_DKH * 10**-ph / k.k1).max() * CO2_MG_PER_MOL), 1)
