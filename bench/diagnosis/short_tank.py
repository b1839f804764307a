"""Readings for the gate's short runs, by a script: no chance, the same on every machine.

This is no simulated tank (`simulator/tank.py` is) and no measure of how good the analysis is. A script of
spans says how fast the water warms, cools and takes up gas; the readings follow in plain arithmetic, so that
a run meets a rule at its edge and leads the judging through all that it does. No chemistry: pH goes by one
rule of thumb (`_Water.seen`).
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

__all__ = ["Short", "Span", "write"]

START = dt.datetime(2026, 3, 2, tzinfo=dt.UTC)  # a Monday


class Span(NamedTuple):
    """From one hour of the run to another `what` is `value`, or walks from it to `to`."""

    begin_h: float
    end_h: float
    what: str
    value: float
    to: float | None = None

    def at(self, hour: float) -> float:
        if self.to is None:
            return self.value
        return self.value + (self.to - self.value) * (hour - self.begin_h) / (self.end_h - self.begin_h)


class Short(NamedTuple):
    """A short run: its settings below `[tanks.basin]`, what it measures, and what happens."""

    name: str
    settings: str
    days: float
    measures: str = "temperature room_temperature ph light"
    every_s: int = 60
    zone: str = "Etc/UTC"
    spans: tuple[Span, ...] = ()


USUAL: dict[str, float] = {
    "room": 19.0,
    "room_day": 2.0,  # warmer in the afternoon
    "heater": 1.0,  # 0 off, 1 by its thermostat, 2 welded
    "setpoint": 24.0,
    "warms": 2.0,  # °C/h by the heater
    "cooler": 1.0,
    "cooler_from": 99.0,
    "cools": 1.5,  # °C/h by the cooler
    "hours": 20.0,  # time constant of the water
    "lamp": 1.0,  # of its light; of its heat, too
    "lamp_on": 600.0,
    "lamp_off": 1080.0,
    "lamp_ramp": 0.0,
    "lux": 6000.0,
    "lamp_warms": 0.1,
    "glow": 0.0,  # lx, whatever the hour
    "sun": 0.0,  # lx at noon
    "dose": 0.0,  # mg/L an hour, while the valve is open
    "valve_on": 540.0,
    "valve_off": 1020.0,
    "loses": 0.35,  # of the gas an hour
    "breath": 0.6,  # mg/L an hour at night
    "kh": 4.0,
    "mains": 1.0,
    "stray_heater": 0.0,  # pH on the electrode while the heater is on
    "stray_lamp": 0.0,
    "stray_device": 0.0,
    "device_h": 1.0,  # how often that device switches
    "silent": 0.0,
    "ahead_s": 0.0,  # the device's clock
    "poured_c": 0.0,  # °C an hour by water poured in
    "poured_gas": 0.0,  # mg/L an hour
}
STEPS = {
    "temperature": 0.01,
    "room_temperature": 0.1,
    "ph": 0.01,
    "light": 1.0,
    "heater_power": 0.1,
    "ph_probe": 0.1,
}
NOISE = {
    "temperature": 0.01,
    "room_temperature": 0.05,
    "ph": 0.004,
    "light": 15.0,
    "heater_power": 0.2,
    "ph_probe": 0.3,
}
"""Half the width of the noise. A script may set `noise_ph`, `step_ph`, `add_ph`, `hold_ph`, `lost_ph` …"""


class _Chance:
    """A row of numbers from -1 to 1 without pattern, the same everywhere (Park & Miller 1988)."""

    def __init__(self) -> None:
        self.state = 20260302

    def __call__(self) -> float:
        self.state = self.state * 48271 % 2147483647
        return self.state / 1073741823.5 - 1.0


class _Water:
    """What the tank is at one moment; steps of a minute."""

    def __init__(self, now: dict[str, float]) -> None:
        self.celsius = now["setpoint"]
        self.gas = 3.0
        self.heating = self.cooling = False
        self.light = 0.0

    def step(self, now: dict[str, float], minute: float) -> None:
        mains = now["mains"]
        if self.celsius < now["setpoint"] - 0.25:
            self.heating = True
        elif self.celsius > now["setpoint"] + 0.25:
            self.heating = False
        if self.celsius > now["cooler_from"] + 0.25:
            self.cooling = True
        elif self.celsius < now["cooler_from"] - 0.25:
            self.cooling = False
        self.light = now["lamp"] * mains * _lit(now, minute)
        warms = now["warms"] * self.heat(now) - (self.room(now, minute) - self.celsius) / -now["hours"]
        warms -= now["cools"] * now["cooler"] * mains * self.cooling
        self.celsius += (warms + now["lamp_warms"] * self.light + now["poured_c"]) / 60
        opened = mains * (now["valve_on"] <= minute < now["valve_off"])
        gains = now["dose"] * opened + now["poured_gas"] + now["breath"] * (self.light <= 0)
        self.gas += (gains - now["loses"] * (self.gas - 1.0)) / 60
        self.gas = max(self.gas, 0.5)

    def heat(self, now: dict[str, float]) -> float:
        """1 while the heater heats."""
        return now["mains"] * (now["heater"] > 1.5 or (now["heater"] > 0.5 and self.heating))

    @staticmethod
    def room(now: dict[str, float], minute: float) -> float:
        return now["room"] + now["room_day"] * max(0.0, 1.0 - abs(minute - 930.0) / 400.0)

    def seen(self, now: dict[str, float], minute: float, hour: float) -> dict[str, float]:
        """What exact probes would read. CO2 in mg/L is about 3 KH 10^(7 - pH)."""
        ph = 7.0 - math.log10(self.gas / (3.0 * now["kh"]))
        ph += now["stray_heater"] * self.heat(now) + now["stray_lamp"] * (self.light > 0.02)
        ph += now["stray_device"] * (int(hour / now["device_h"]) % 2)
        day = max(0.0, 1.0 - abs(minute - 780.0) / 360.0)
        return {
            "temperature": self.celsius,
            "room_temperature": self.room(now, minute),
            "ph": ph,
            "ph_probe": (7.0 - ph) * (54.2 + 0.198 * self.celsius) + 4.0,
            "light": now["lux"] * self.light + now["glow"] + now["sun"] * day,
            "heater_power": 100.0 * self.heat(now),
        }


def _lit(now: dict[str, float], minute: float) -> float:
    """The lamp's share of its light by its timer."""
    on, off, ramp = now["lamp_on"], now["lamp_off"], now["lamp_ramp"]
    if not on <= minute < off:
        return 0.0
    return 1.0 if ramp <= 0 else min(1.0, (minute - on + 1) / ramp, (off - minute) / ramp)


def _read(name: str, exact: float, now: dict[str, float], chance: _Chance, held: dict[str, float]) -> str:
    """A reading as its probe gives it; "" where it can't be read."""
    if now.get(f"lost_{name}", 0.0) > abs(chance()):
        return ""
    if now.get(f"hold_{name}"):
        exact = held.setdefault(name, exact)
    else:
        held.pop(name, None)
        exact += now.get(f"add_{name}", 0.0) + now.get(f"noise_{name}", NOISE[name]) * chance()
    step = now.get(f"step_{name}", STEPS[name])
    low = 0.0 if name in ("light", "heater_power") else -1e9
    return f"{max(low, math.floor(exact / step + 0.4821) * step):.3f}"


def rows(run: Short) -> Iterator[str]:
    """The lines of `readings.csv`, in the order in which they arrive."""
    chance, held = _Chance(), dict[str, float]()
    water = _Water(USUAL | {s.what: s.value for s in run.spans if s.begin_h == 0})
    late: list[str] = []
    for step in range(round(run.days * 1440)):
        hour, minute = step / 60, float(step % 1440)
        now = dict(USUAL)
        for span in run.spans:
            if span.begin_h <= hour < span.end_h:
                now[span.what] = span.at(hour)
        water.step(now, minute)
        if now["silent"]:
            continue
        seen = water.seen(now, minute, hour)
        for second in (
            range(0, 60, run.every_s) if run.every_s < 60 else (0,) * (step * 60 % run.every_s == 0)
        ):
            time = START + dt.timedelta(minutes=step, seconds=second + 7 + now["ahead_s"])
            lines = []
            for name in run.measures.split():
                if not now.get(f"silent_{name}"):
                    value = _read(name, seen[name], now, chance, held)
                    lines.append(f"{time:%Y-%m-%dT%H:%M:%SZ},basin,{name},{value}\n")
            if now.get("kept"):  # a device that could not send: all of it comes afterwards
                late += lines
                continue
            yield from lines
            if late:
                yield from late
                late = []


def write(folder: Path, run: Short) -> None:
    """`rushlight.toml` and `readings.csv` of a short run."""
    folder.mkdir(parents=True, exist_ok=True)
    head = f'[tanks.basin]\ntitle = "Basin"\nvolume_litres = 80\ntimezone = "{run.zone}"\n'
    head += f"report_every_s = {run.every_s}\n\n"
    text = re.sub(r"(?m)^\[", "[tanks.basin.", run.settings)
    (folder / "rushlight.toml").write_text(head + text, encoding="utf-8")
    with (folder / "readings.csv").open("w", encoding="utf-8") as out:
        out.write("time,tank,quantity,value\n")
        out.writelines(rows(run))
