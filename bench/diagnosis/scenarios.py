"""One scenario from a seed: world, nuisances, fault, truth, and the three files of its folder."""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from bench.diagnosis.faults import FAULTS, Fault, Label
from bench.diagnosis.keeper import miswrite, setup_of, show_quantity, toml
from bench.diagnosis.nuisances import add_nuisances
from bench.diagnosis.probes import rows_of, sample
from bench.diagnosis.schedules import dose_now, lamp_now
from bench.diagnosis.tank import Course, simulate
from bench.diagnosis.truth import truth_of
from bench.diagnosis.world import HOUR, World, make_world
from bench.diagnosis.worlds import USUAL, WORLDS, Kind

__all__ = ["build"]

STREAM = {"train": 1, "test": 2}


def build(
    folder: Path, stream: str, seed: int, index: int, only: str | None, world: str = "usual"
) -> dict[str, Any]:
    """Write scenario `index` of a set into `folder`; returns its truth.

    `only` is an alarm's name, "nominal", or None for the usual mixture (30 % nominal). `world` is a kind of
    tank (`worlds/`); each kind has a random stream of its own.
    """
    of = WORLDS[world]
    apart = () if of is USUAL else (zlib.crc32(world.encode()),)
    for attempt in range(40):
        rng = np.random.default_rng([STREAM[stream], seed, index, attempt, *apart])
        kind = only or _draw(seed, index, STREAM[stream], of)
        made = _attempt(rng, kind, of)
        if made is not None:
            settings, rows, truth = made
            about = {"scenario": folder.name, "set": stream, "seed": seed, "index": index}
            truth = about | truth | ({"world": world} if apart else {})
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "rushlight.toml").write_text(settings, encoding="utf-8")
            with (folder / "readings.csv").open("w", encoding="utf-8") as out:
                out.write("time,tank,quantity,value\n")
                out.writelines(rows)
            (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
            return truth
    raise RuntimeError(
        f"no sensible scenario for {kind} ({world}) from seed {seed}, index {index}; try another seed"
    )


def _draw(seed: int, index: int, stream: int, of: Kind) -> str:
    """The kind of scenario `index`, whatever the attempt: retries must not skew the mixture."""
    rng = np.random.default_rng([stream, seed, index])
    if rng.random() < 0.3:
        return "nominal"
    kind = list(FAULTS)[(index * 5 + seed) % len(FAULTS)]
    if kind not in of.never:
        return kind
    return [name for name in FAULTS if name not in of.never][index % (len(FAULTS) - len(of.never))]


def _options(kind: str, of: Kind) -> list[Fault]:
    """The ways in which this fault comes about in such a tank."""
    options = of.faults.get(kind, FAULTS[kind])
    fitting = [
        f
        for f in options
        if kind not in of.never and all(f.needs.get(k, v) == v for k, v in of.needs.items())
    ]
    if not fitting:
        raise RuntimeError(f"{kind} does not happen in the world {of.name}")
    return fitting


def _owner_turns_down(world: World, plain: Course, of: Kind) -> Course | None:
    """The course with gas as its owner would leave it; None where it is too much all the same."""
    above, to, most = of.near
    for _ in range(1 if of is USUAL else 3):
        limit = world.tank.co2_limit
        if not world.tank.source or plain.co2.max() <= above * limit:
            return plain
        factor = to * limit / plain.co2.max()
        if of.calm:
            of.calm(world, factor)
        else:
            world.source_output *= factor
        world.drive.dose = dose_now(world)
        plain = simulate(world.tank, world.drive)
        if abs(plain.co2.max() / limit - to) < 0.02:
            break
    return None if plain.co2.max() > most * limit else plain


def _attempt(rng: np.random.Generator, kind: str, of: Kind) -> tuple[str, list[str], dict[str, Any]] | None:
    quiet = float(rng.integers(1, 3)) if rng.random() < 0.2 else float(rng.integers(4, 9))
    fault: Fault | None = None
    if kind == "nominal":
        world = make_world(rng, int(rng.integers(8, 18)), quiet, dict(of.needs))
    else:
        options = _options(kind, of)
        fault = options[int(rng.integers(0, len(options)))]
        needs = dict(fault.needs) | of.needs
        if kind == "light-dimming":
            quiet = float(rng.integers(5, 9))
        days = int(quiet) + int(rng.integers(fault.extra_days[0], fault.extra_days[1] + 1)) + 1
        world = make_world(rng, days, quiet, needs)
        if needs.get("no_cooler"):
            world.tank.cooler = ""
    of.tank(world)
    add_nuisances(world)
    of.care(world)
    world.drive.lamp = lamp_now(world)
    of.settle(world)
    world.drive.dose = dose_now(world)
    quiet_course = _owner_turns_down(world, simulate(world.tank, world.drive), of)
    if quiet_course is None:
        return None
    plain = course = quiet_course
    setup = setup_of(rng, world, plain, kind) | world.setup
    of.setup(world, plain, setup)
    label: Label | None = None
    severity = 0.0
    if fault is not None:
        severity = float(rng.choice([rng.uniform(0, 0.25), rng.uniform(0.25, 0.7), rng.uniform(0.7, 1.0)]))
        label = fault.apply(world, plain, severity)
        of.after(world, label)
        faulty = _with_fault(world, plain, label, of)
        if faulty is None:
            return None
        course = faulty
        show_quantity(label, setup)
        if label.alarm == "setting-doubtful" and not miswrite(world, setup):
            return None
    truth = truth_of(world, course, label, setup, severity)
    if truth is None:
        return None
    seconds, readings = sample(world, course, setup)
    if label and label.alarm == "probe-fault" and label.quantity not in readings:
        return None
    return toml(world, setup), rows_of(world, seconds, readings, rng), truth


def _with_fault(world: World, plain: Course, label: Label, of: Kind) -> Course | None:
    """The course with the fault; None where it comes too early or does not show."""
    early = label.onset < 12 * HOUR and label.alarm != "setting-doubtful"
    if not label.visible or label.onset >= world.n - 2 * HOUR or early:
        return None
    world.drive.lamp = lamp_now(world)
    for mark in world.probes:
        if mark["kind"] == "floor":
            lit = np.maximum(world.drive.lamp, mark["level"] * world.lamp_output * world.drive.mains)
            world.drive.lamp = np.where(mark["span"], lit, world.drive.lamp)
    of.settle(world)
    course = simulate(world.tank, world.drive)
    return course if _shows(label, plain, course) else None


def _shows(label: Label, plain: Course, course: Course) -> bool:
    """Whether the tank changes enough to speak of a fault: 0.8 °C, or 0.15 pH for absent CO2."""
    after = slice(label.onset, None)
    if label.alarm in ("heater-stuck-on", "heater-not-heating", "cooling-not-cooling"):
        return bool(np.abs(course.bulk[after] - plain.bulk[after]).max() > 0.8)
    if label.alarm == "co2-absent":
        return bool(np.abs(course.ph[after] - plain.ph[after]).max() > 0.15)
    return True
