"""From the tank's true course to the rows a collector would have got: lag, noise, steps, mishaps."""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.diagnosis.tank import STEP_S, Array, Course
from bench.diagnosis.world import DAY, World

DECIMALS = {"temperature": 4, "room_temperature": 4, "ph": 2, "light": 0, "heater_power": 1}


def lagged(x: Array, seconds: float) -> Array:
    """First-order lag of a probe."""
    a = STEP_S / (STEP_S + seconds)
    out, y = np.empty(len(x)), float(x[0])
    for i, v in enumerate(x.tolist()):
        y += a * (v - y)
        out[i] = y
    return out


def sample(world: World, course: Course, setup: dict[str, Any]) -> tuple[Array, dict[str, Array]]:
    """Report times (s after start) and what each probe says then (NaN: no value)."""
    rng, n = world.rng, world.n
    every = setup["report_every_s"]
    count = int(n * STEP_S / every) - 2
    seconds = rng.uniform(0, every) + np.arange(count) * every + rng.integers(0, 2, count)
    at = seconds / STEP_S
    step = np.minimum(at.astype(int), n - 1)

    def read(x: Array) -> Array:
        return np.interp(at, np.arange(n), x)

    out: dict[str, Array] = {}
    t_step = setup.get("t_step", 0.0625)
    temperature = lagged(course.temperature, setup["t_lag"])
    values = read(temperature) + setup["t_offset"] + rng.normal(0, setup["t_noise"], count)
    out["temperature"] = np.round(values / t_step) * t_step
    if setup["room_probe"]:
        values = read(lagged(world.drive.room, 300)) + setup["room_offset"] + rng.normal(0, 0.04, count)
        out["room_temperature"] = np.round(values / t_step) * t_step
    creep = electrode_error(world, setup, rng)
    if setup["ph_probe"]:
        values = read(lagged(course.ph + creep, setup["ph_lag"])) + rng.normal(0, setup["ph_noise"], count)
        out["ph"] = values
    lux = world.tank.lamp_lux * world.drive.lamp
    for mark in world.probes:
        if mark["kind"] == "film":
            lux = lux * mark["factor"]
    lux = lux + world.sun_lux + world.evening_lux
    out["light"] = np.maximum(lux[step] * (1 + rng.normal(0, setup["lux_noise"], count)), 0)
    if "light_end" in setup:
        out["light"] = np.minimum(out["light"], setup["light_end"])
    if setup["power_meter"]:
        watts = course.heating[step]
        out["heater_power"] = np.where(
            watts > 1, watts * (1 + rng.normal(0, 0.01, count)), setup["standby_w"]
        )
        out["heater_power"][world.drive.mains[step] == 0] = np.nan  # the plug has no mains either
        if setup["plug_silent"]:  # and is left out of the report, or reported as a fault
            out["heater_power"][world.drive.mains[step] == 0] = np.inf
    for mark in world.probes:
        quantity = mark.get("quantity", "")
        if quantity in out and "from" in mark:
            span = (step >= mark["from"]) & (step < mark["to"])
            _mishap(rng, world, out, quantity, mark, span, step)
    for name, size in (("temperature", t_step), ("room_temperature", t_step), ("ph", setup.get("ph_step"))):
        if name in out and size and size > 0.0625:  # what a mishap says goes through the same converter
            out[name] = np.round(out[name] / size) * size
    if "ph" in out:
        out["ph"] = np.round(out["ph"], 2)
    out["light"] = np.round(out["light"])
    return seconds, out


def electrode_error(world: World, setup: dict[str, Any], rng: np.random.Generator) -> Array:
    """What the electrode reads too high at each step, pH: offset, creep, and what calibrations leave."""
    n = world.n
    error = setup["ph_offset"] + setup["ph_creep"] * np.arange(n) / (30 * DAY)
    for mark in world.probes:
        if mark["kind"] == "recalibration":
            left = mark["left"] if "left" in mark else rng.normal(0, 0.02)
            error = np.where(np.arange(n) >= mark["to"], error - error[min(mark["to"], n - 1)] + left, error)
        elif mark["kind"] == "creep":
            error = error + mark["per_day"] * np.clip(np.arange(n) - mark["from"], 0, None) / DAY
        elif mark["kind"] == "wander":
            error = error + mark["walk"]
    return error


def _mishap(
    rng: np.random.Generator,
    world: World,
    out: dict[str, Array],
    quantity: str,
    mark: dict[str, Any],
    span: Array,
    step: Array,
) -> None:
    values = out[quantity]
    where = np.flatnonzero(span)
    if not len(where):
        return
    kind, size = mark["kind"], len(where)
    elapsed = (step[where] - mark["from"]) * STEP_S
    if kind == "shade":
        values[where] *= mark["factor"]
    elif kind == "recalibration":  # rinsed, pH 7 buffer, rinsed, pH 4 buffer
        values[where] = np.where(np.arange(size) < size / 2, 6.98, 4.02) + rng.normal(0, 0.01, size)
    elif kind in ("bared", "out-of-water"):
        if quantity == "temperature":
            room = world.drive.room[step[where]] - (1.5 if kind == "bared" else 0.3)
            decay = np.exp(-elapsed / 180)
            values[where] = np.round((room + (values[where[0]] - room) * decay) / 0.0625) * 0.0625
        else:
            walk = np.cumsum(rng.normal(0, 0.03, size)) * (1 if kind == "bared" else mark.get("wander", 1.0))
            values[where] = np.clip(values[where[0]] + walk + rng.normal(0, 0.06, size), 0, 14)
    elif kind == "stuck":
        values[where] = values[where[0]]
    elif kind == "empty":
        values[where] = np.nan
    elif kind == "disconnected":
        values[where] = mark["value"]
    elif kind == "intermittent":
        values[where[rng.random(size) < mark["share"]]] = mark["value"]
    elif kind == "noisy":
        values[where] += rng.normal(0, mark["sigma"], size) * np.minimum(elapsed / mark["grows_s"], 1)
        if quantity == "light":
            values[where] = np.maximum(values[where], 0)
    elif kind == "impossible":
        values[where] = mark["value"] + rng.normal(0, mark.get("sigma", 0.0), size)
    elif kind == "coupled":  # a current through the water while a mains device is on
        source = world.drive.lamp if mark["device"] == "lamp" else mark["heating"]
        values[where] += mark["offset"] * (source[step[where]] > 0.02) + mark["flutter"] * rng.normal(
            size=size
        ) * (source[step[where]] > 0.02)


def rows_of(world: World, seconds: Array, readings: dict[str, Array], rng: np.random.Generator) -> list[str]:
    """CSV rows in order of arrival, with dropouts, spikes, repeats and late reports."""
    n = len(seconds)
    keep = rng.random(n) > 0.002
    step = (seconds / STEP_S).astype(int)
    for begin, end in world.silences:
        keep &= ~((step >= begin) & (step < end))
    spikes = {
        "temperature": (85.0, -127.0),
        "room_temperature": (85.0, -127.0),
        "ph": (0.0, 14.0),
        "light": (65535.0, 0.0),
        "heater_power": (0.0, 0.0),
    }
    for quantity, values in readings.items():
        for j in rng.integers(0, n, rng.poisson(world.days * 0.3)):
            values[j] = spikes[quantity][int(rng.integers(0, 2))]
        values[rng.integers(0, n, rng.poisson(world.days * 0.2))] = np.nan
    arrival = seconds.copy()
    for j in rng.integers(0, n, rng.poisson(world.days * 0.3)):  # a queue on the way delivers late
        held = int(rng.integers(1, 8))
        arrival[j : j + held] += rng.uniform(30, 400)
    for begin, end, newest_first in world.held:
        late = np.flatnonzero((step >= begin) & (step < end))
        keep[late[: -world.held_most]] = False  # what the board had no room for
        late = late[-world.held_most :]
        sent = late[::-1] if newest_first else late
        arrival[sent] = end * STEP_S + np.arange(1, len(late) + 1)  # one a second
    order = np.argsort(arrival[keep], kind="stable")
    index = np.flatnonzero(keep)[order]
    index = np.insert(
        index, (at := np.sort(rng.integers(0, len(index), rng.poisson(world.days * 0.4)))), index[at]
    )
    start = np.datetime64(world.start.replace(tzinfo=None), "s")
    times = np.datetime_as_string(start + np.round(seconds).astype("timedelta64[s]"), unit="s")
    columns = []
    for quantity, values in readings.items():
        d = DECIMALS[quantity]
        columns.append(
            (quantity, ["" if v != v else f"{v:.{d}f}" if v < np.inf else None for v in values.tolist()])
        )
    name = world.tank.name
    return [
        f"{times[j]}Z,{name},{q},{c[j]}\n" for j in index.tolist() for q, c in columns if c[j] is not None
    ]
