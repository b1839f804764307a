"""The owner's part: probes and their errors, and what is written into the settings."""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.diagnosis.faults import Label
from bench.diagnosis.tank import Course, ph_of
from bench.diagnosis.world import World
from rushlight.simulator.chemistry import air_co2

__all__ = ["miswrite", "setup_of", "show_quantity", "toml"]

FINE_SHARE = 0.1  # scenarios that report every 10 s


def show_quantity(label: Label, setup: dict[str, Any]) -> None:
    """Give the tank the probe that the fault is about."""
    if label.alarm == "probe-fault":
        if label.quantity == "ph":
            setup["ph_probe"] = True
        if label.quantity == "room_temperature":
            setup["room_probe"] = True


def miswrite(world: World, setup: dict[str, Any]) -> bool:
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


def setup_of(rng: np.random.Generator, world: World, plain: Course, kind: str) -> dict[str, Any]:
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


def _clock(minute: int) -> str:
    return f'"{minute // 60:02d}:{minute % 60:02d}"'


def _light_hours(world: World) -> list[str]:
    """The lamp's hours as the owner writes them."""
    late = int(world.wrong.get("light", 0))

    def periods(times: list[tuple[int, int]]) -> str:
        pairs = (f"[{_clock((on + late) % 1440)}, {_clock((off + late) % 1440)}]" for on, off in times)
        return f"[{', '.join(pairs)}]"

    if not world.periods:
        on, off = ((minute + late) % 1440 for minute in (world.tank.lamp_on, world.tank.lamp_off))
        return [f"on = {_clock(on)}", f"off = {_clock(off)}", *world.lines.get("light", [])]
    lines = [f"periods = {periods(world.periods)}"]
    if world.weekend:
        lines.append(f"weekend = {periods(world.weekend)}")
    return lines + world.lines.get("light", [])


def toml(world: World, s: dict[str, Any]) -> str:
    """The settings file."""
    t = world.tank
    name = f"tanks.{t.name}"
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
    lines += world.lines.get("water", [])
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
            lines.append(f"watts = {t.heater_w + t.second_heater_w:g}")
    if t.cooler:
        lines += ["", f"[{name}.cooler]", f'kind = "{t.cooler}"']
        dial = (
            round(t.setpoint + s["dial"])
            if not s["give_setpoint"]
            else round((t.setpoint + s["dial"]) * 2) / 2
        )
        lines.append(f"setpoint_c = {max(round(t.cooler_setpoint, 1), dial + 0.5)}")
    if s["give_light"]:
        lines += ["", f"[{name}.light]", *_light_hours(world)]
        if s["give_ramp"]:
            lines.append(f"ramp_min = {t.ramp:g}")
    if t.source:
        lines += ["", f"[{name}.co2]", f'source = "{t.source}"']
        lines += world.lines.get("co2", [])
        if t.source == "cylinder" and s["give_valve"] and t.gas_hours:
            lines += [f"on = {_clock(t.co2_on)}", f"off = {_clock(t.co2_off)}"]
    lines += ["", f"[{name}.ph_calibration]", f"calibrated = {world.start:%Y-%m-%d}"]
    return "\n".join(lines) + "\n"
