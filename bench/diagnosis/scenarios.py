"""One scenario from a seed: world, nuisances, fault, truth, and the three files of its folder."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np

from bench.diagnosis.faults import FAULTS, Label
from bench.diagnosis.nuisances import add_nuisances
from bench.diagnosis.probes import rows_of, sample
from bench.diagnosis.tank import STEP_S, Array, Course, Tank, air_co2, ph_of, simulate
from bench.diagnosis.world import HOUR, World, dose_now, lamp_now, make_world
from rushlight.simulator.chemistry import ALKALINITY_PER_DKH, CO2_MG_PER_MOL, table

STREAM = {"train": 1, "test": 2}
SUSTAINED = 10 * 60 // STEP_S  # a limit counts as exceeded after ten minutes beyond it
FINE_SHARE = 0.1  # scenarios that report every 10 s


def build(folder: Path, stream: str, seed: int, index: int, only: str | None) -> dict[str, Any]:
    """Write scenario `index` of a set into `folder`; returns its truth.

    `only` is an alarm's name, "nominal", or None for the usual mixture (30 % nominal).
    """
    for attempt in range(40):
        rng = np.random.default_rng([STREAM[stream], seed, index, attempt])
        kind = only or _draw(seed, index, STREAM[stream])
        made = _attempt(rng, kind)
        if made is not None:
            settings, rows, truth = made
            truth = {"scenario": folder.name, "set": stream, "seed": seed, "index": index} | truth
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "rushlight.toml").write_text(settings, encoding="utf-8")
            with (folder / "readings.csv").open("w", encoding="utf-8") as out:
                out.write("time,tank,quantity,value\n")
                out.writelines(rows)
            (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
            return truth
    raise RuntimeError(f"no sensible scenario for {kind} from seed {seed}, index {index}; try another seed")


def _draw(seed: int, index: int, stream: int) -> str:
    """The kind of scenario `index`, whatever the attempt: retries must not skew the mixture."""
    rng = np.random.default_rng([stream, seed, index])
    if rng.random() < 0.3:
        return "nominal"
    return list(FAULTS)[(index * 5 + seed) % len(FAULTS)]


def _attempt(rng: np.random.Generator, kind: str) -> tuple[str, list[str], dict[str, Any]] | None:
    quiet = float(rng.integers(1, 3)) if rng.random() < 0.2 else float(rng.integers(4, 9))
    if kind == "nominal":
        world = make_world(rng, int(rng.integers(8, 18)), quiet, {})
    else:
        options = FAULTS[kind]
        fault = options[int(rng.integers(0, len(options)))]
        needs = dict(fault.needs)
        if kind == "light-dimming":
            quiet = float(rng.integers(5, 9))
        world = make_world(
            rng,
            int(quiet) + int(rng.integers(fault.extra_days[0], fault.extra_days[1] + 1)) + 1,
            quiet,
            needs,
        )
        if needs.get("no_cooler"):
            world.tank.cooler = ""
    add_nuisances(world)
    world.drive.lamp = lamp_now(world)
    world.drive.dose = dose_now(world)
    plain = simulate(world.tank, world.drive)
    if world.tank.source and plain.co2.max() > 0.9 * world.tank.co2_limit:  # the owner had turned it down
        world.source_output *= 0.8 * world.tank.co2_limit / plain.co2.max()
        world.drive.dose = dose_now(world)
        plain = simulate(world.tank, world.drive)
        if plain.co2.max() > 0.95 * world.tank.co2_limit:
            return None
    setup = _setup(rng, world, plain, kind)
    label: Label | None = None
    course = plain
    severity = 0.0
    if kind != "nominal":
        severity = float(rng.choice([rng.uniform(0, 0.25), rng.uniform(0.25, 0.7), rng.uniform(0.7, 1.0)]))
        label = fault.apply(world, plain, severity)
        early = label.onset < 12 * HOUR and label.alarm != "setting-doubtful"
        if not label.visible or label.onset >= world.n - 2 * HOUR or early:
            return None
        world.drive.lamp = lamp_now(world)
        for mark in world.probes:
            if mark["kind"] == "floor":
                lit = np.maximum(world.drive.lamp, mark["level"] * world.lamp_output * world.drive.mains)
                world.drive.lamp = np.where(mark["span"], lit, world.drive.lamp)
        course = simulate(world.tank, world.drive)
        if not _shows(label, plain, course):
            return None
        _pretend_quantity(label, setup)
        if label.alarm == "setting-doubtful" and not _miswrite(world, setup):
            return None
    truth = _truth(world, course, label, setup, severity)
    if truth is None:
        return None
    seconds, readings = sample(world, course, setup)
    if label and label.alarm == "probe-fault" and label.quantity not in readings:
        return None
    return _toml(world, setup), rows_of(world, seconds, readings, rng), truth


def _shows(label: Label, plain: Course, course: Course) -> bool:
    """Whether the tank changes enough to speak of a fault: 0.8 °C, or 0.15 pH for absent CO2."""
    after = slice(label.onset, None)
    if label.alarm in ("heater-stuck-on", "heater-not-heating", "cooling-not-cooling"):
        return bool(np.abs(course.bulk[after] - plain.bulk[after]).max() > 0.8)
    if label.alarm == "co2-absent":
        return bool(np.abs(course.ph[after] - plain.ph[after]).max() > 0.15)
    return True


def _pretend_quantity(label: Label, setup: dict[str, Any]) -> None:
    if label.alarm == "probe-fault":
        if label.quantity == "ph":
            setup["ph_probe"] = True
        if label.quantity == "room_temperature":
            setup["room_probe"] = True


def _miswrite(world: World, setup: dict[str, Any]) -> bool:
    """The owner's error into the settings; False where it can't be written or could not be seen."""
    wrong = world.wrong
    if "kh" in wrong:
        setup["kh"] = round(setup["kh"] * wrong["kh"], 1)
        setup["give_kh"] = setup["ph_probe"] = True
        return bool(0.1 <= setup["kh"] <= 40)
    if "light" in wrong:
        setup["give_light"] = True
        return True
    setup["give_setpoint"] = True
    setup["dial"] += wrong["setpoint"]
    dial = world.tank.setpoint + setup["dial"]
    return bool(setup["temperature_low"] <= dial <= setup["temperature_high"])


def _setup(rng: np.random.Generator, world: World, plain: Course, kind: str) -> dict[str, Any]:
    """Probes, their errors, and what the owner wrote into the settings."""
    tank = world.tank
    chemistry = kind in ("co2-overdose", "co2-absent", "ph-out-of-range", "stray-current-suspected")
    ph_probe = chemistry or rng.random() < 0.9
    low = float(np.floor((plain.bulk.min() - rng.uniform(0.7, 3.0)) * 2) / 2)
    high = float(np.ceil((plain.bulk.max() + rng.uniform(0.7, 3.0)) * 2) / 2)
    kh = max(0.5, tank.kh + rng.uniform(-1, 1)) if tank.kh > 2 else tank.kh * rng.uniform(0.8, 1.25)
    if tank.source == "cylinder" and rng.random() < 0.5:
        steps = [world.step_of_day(d, tank.co2_on) for d in range(max(int(world.quiet_days) - 1, 1))]
        usual = float(np.median(plain.ph[steps]))
    elif tank.source in ("yeast", "citric-acid") and rng.random() < 0.5:
        before = air_co2(tank.setpoint, 600, tank.ionic) + 0.75 * tank.respiration / tank.exchange
        usual = ph_of(tank, tank.setpoint, before)
    else:  # a glass of tank water after a day on the table
        usual = ph_of(
            tank,
            min(max(world.room_warm, 10), 30),
            air_co2(world.room_warm, rng.uniform(430, 800), tank.ionic),
        )
    ph_low = float(np.floor((plain.ph.min() - rng.uniform(0.15, 0.6)) * 10) / 10)
    ph_high = float(np.ceil((plain.ph.max() + rng.uniform(0.15, 0.6)) * 10) / 10)
    fine = rng.random() < FINE_SHARE
    return {
        "report_every_s": 10 if fine else int(rng.choice([30, 60, 60, 60, 60])),
        "t_lag": rng.uniform(10, 90),
        "t_offset": rng.uniform(-0.4, 0.4),
        "t_noise": rng.uniform(0.01, 0.04),
        "room_probe": rng.random() < 0.6,
        "room_offset": rng.uniform(-0.7, 0.7),
        "ph_probe": ph_probe,
        "ph_lag": rng.uniform(15, 120),
        "ph_noise": rng.uniform(0.003, 0.02),
        "ph_offset": rng.uniform(-0.1, 0.1),
        "ph_creep": rng.uniform(-0.15, 0.15),
        "lux_noise": rng.uniform(0.002, 0.02),
        "power_meter": bool(tank.heater_w) and rng.random() < 0.35,
        "standby_w": rng.choice([0.0, 0.0, 0.3]),
        "plug_silent": rng.random() < 0.5,
        "kh": round(kh * 2) / 2 if rng.random() < 0.5 else round(kh, 1),
        "degassed_ph": round(usual + rng.uniform(-0.1, 0.1), 1),
        "temperature_low": low,
        "temperature_high": high,
        "ph_low": ph_low,
        "ph_high": ph_high,
        "give_kh": rng.random() < 0.85,
        "give_degassed": rng.random() < 0.75,
        "give_ph_limits": kind == "ph-out-of-range" or rng.random() < 0.7,
        "give_setpoint": rng.random() < 0.85,
        "give_watts": rng.random() < 0.7,
        "give_light": rng.random() < 0.9,
        "give_ramp": rng.random() < 0.5,
        "give_valve": rng.random() < 0.85,
        "give_limit": True,
        "dial": rng.uniform(-0.5, 0.5),
    }


def _crossed(x: Array, start: int) -> int | None:
    """First step from `start` on at which `x` has been true for SUSTAINED steps; None if never."""
    run = np.convolve(x[start:].astype(float), np.ones(SUSTAINED), mode="valid") >= SUSTAINED
    hits = np.flatnonzero(run)
    return start + int(hits[0]) + SUSTAINED - 1 if len(hits) else None


def _truth(
    world: World, course: Course, label: Label | None, setup: dict[str, Any], severity: float
) -> dict[str, Any] | None:
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
    accept, excused = list(label.accept), list(label.excused)
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


def _toml(world: World, s: dict[str, Any]) -> str:
    t = world.tank
    name = f"tanks.{t.name}"

    def clock(minute: int) -> str:
        return f'"{minute // 60:02d}:{minute % 60:02d}"'

    lines = [
        f"[{name}]",
        f'title = "{t.name.capitalize()} tank"',
        f"volume_litres = {t.volume:g}",
        f'timezone = "{world.zone}"',
        f"report_every_s = {s['report_every_s']}",
        "",
        f"[{name}.water]",
    ]
    if s["give_kh"]:
        lines.append(f"carbonate_hardness_dkh = {s['kh']}")
    if s["give_degassed"]:
        lines.append(f"degassed_ph = {s['degassed_ph']}")
    if s["give_ph_limits"]:
        lines += [f"ph_low = {s['ph_low']}", f"ph_high = {s['ph_high']}"]
    lines += [
        "",
        f"[{name}.livestock]",
        f"temperature_low_c = {s['temperature_low']}",
        f"temperature_high_c = {s['temperature_high']}",
        f"co2_limit_mg_l = {t.co2_limit}",
    ]
    if t.heater_w:
        lines += ["", f"[{name}.heater]"]
        if s["give_setpoint"]:
            dial = round((t.setpoint + s["dial"]) * 2) / 2
            lines.append(f"setpoint_c = {min(max(dial, s['temperature_low']), s['temperature_high'])}")
        if s["give_watts"]:
            lines.append(f"watts = {t.heater_w:g}")
    if t.cooler:
        lines += ["", f"[{name}.cooler]", f'kind = "{t.cooler}"']
        dial = (
            round(t.setpoint + s["dial"])
            if not s["give_setpoint"]
            else round((t.setpoint + s["dial"]) * 2) / 2
        )
        lines.append(f"setpoint_c = {max(round(t.cooler_setpoint, 1), dial + 0.5)}")
    if s["give_light"]:
        late = int(world.wrong.get("light", 0))
        on, off = ((minute + late) % 1440 for minute in (t.lamp_on, t.lamp_off))
        lines += ["", f"[{name}.light]", f"on = {clock(on)}", f"off = {clock(off)}"]
        if s["give_ramp"]:
            lines.append(f"ramp_min = {t.ramp:g}")
    if t.source:
        lines += ["", f"[{name}.co2]", f'source = "{t.source}"']
        if t.source == "cylinder" and s["give_valve"]:
            lines += [f"on = {clock(t.co2_on)}", f"off = {clock(t.co2_off)}"]
    lines += ["", f"[{name}.ph_calibration]", f"calibrated = {world.start:%Y-%m-%d}"]
    return "\n".join(lines) + "\n"


__all__ = ["build"]
