"""Tanks whose keeper switches the whole power strip off for the weekly care, and feeds generously.

Half of the water goes each week and comes back a few degrees colder. On the strip are heater, pump, lamp and
gas valve; sometimes the sensors' board hangs on it, too. Ranges are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from bench.diagnosis.faults import FAULTS, Fault, Label
from bench.diagnosis.schedules import dose_now
from bench.diagnosis.tank import Course
from bench.diagnosis.world import HOUR, World
from bench.diagnosis.worlds.kind import Kind
from rushlight.simulator.conditions import Poured

__all__ = ["SWITCHED_STRIP"]

DARK = (  # true while the strip is off, as they are in a power cut
    "power-interrupted",
    "light-missing",
    "heater-not-heating",
    "co2-absent",
    "temperature-low",
    "probe-fault/heater_power",
)


def _strip(world: World) -> None:
    world.change_every = 10_000  # none but those of the weekly care
    world.setup = {"board_on_strip": bool(world.rng.random() < 0.3)}


def _care(world: World) -> None:
    rng, tank = world.rng, world.tank
    tap_kh = tank.kh * rng.uniform(0.88, 1.12)
    usual, colder = rng.uniform(10 * 60, 20 * 60), rng.uniform(2.0, 6.0)
    for day in range(int(rng.integers(0, 7)), world.days, 7):
        step = world.step_of_day(day, usual + rng.normal(0, 40))
        length = int(rng.uniform(25, 75) * 2)
        if step + length >= world.n - HOUR:
            continue
        _off(world, step, length)
        fraction, parts = rng.uniform(0.42, 0.55), 5
        share = 1 - (1 - fraction) ** (1 / parts)
        for part in range(parts):  # buckets or a hose, in the last third
            at = step + length * 2 // 3 + part * max(length // 16, 1)
            new = Poured(share, tank.setpoint - colder + rng.normal(0, 0.7), tap_kh, rng.uniform(0.6, 6.0))
            world.drive.changes.setdefault(at, []).append(new)
        for quantity in ("temperature", "ph"):
            if rng.random() < 0.6:
                mark = {"kind": "bared", "quantity": quantity, "from": step + length // 4}
                world.probes.append(mark | {"to": step + length * 2 // 3})
        _fed(world, step + length, rng.uniform(2.5, 4.5))
    if rng.random() < 0.8:
        meals = [rng.uniform(7 * 60, 10 * 60), rng.uniform(17 * 60, 21 * 60)][: int(rng.integers(1, 3))]
        for day in range(world.days):
            for meal in meals:
                _fed(world, world.step_of_day(day, meal + rng.normal(0, 30)), rng.uniform(1.3, 2.5))


def _off(world: World, step: int, length: int) -> None:
    """The strip is off; what that makes true, and what the board leaves out."""
    world.drive.mains[step : step + length] = 0
    names = DARK
    if world.setup["board_on_strip"]:
        world.silences.append((step, step + length + 2))
        names = (*DARK, "device-silent")
    world.true_spans += [(name, step, step + length + HOUR // 4) for name in names]


def _fed(world: World, step: int, times: float) -> None:
    """What is eaten is breathed out: a peak after an hour, gone after six or so."""
    hours = np.clip(np.arange(world.n) - step, 0, None) / HOUR
    if world.drive.respiration_gain is None:
        world.drive.respiration_gain = np.ones(world.n)
    world.drive.respiration_gain += (times - 1) * hours * np.exp(1 - hours)


def _left_off(w: World, course: Course, s: float) -> Label:
    """The keeper goes, and the strip is still off."""
    onset = w.step_of_day(int(w.quiet_days), float(w.rng.uniform(10 * 60, 20 * 60)))
    length = int((2.0 + 20 * s) * HOUR)
    w.drive.mains[onset : onset + length] = 0
    w.drive.dose = dose_now(w)
    excused = [*DARK[1:], "device-silent"]
    label = Label("power-interrupted", "strip-left-off", onset, onset + HOUR, "cold", end=onset + length)
    label.excused = excused
    if w.setup["board_on_strip"]:
        w.silences.append((onset, onset + length + 2))
        label.variant, label.accept = "strip-left-off-with-the-board", ["device-silent"]
    elif w.drive.lamp[onset] < 0.5:  # only the cooling tells
        label.accept, label.deadline = ["heater-not-heating"], onset + 4 * HOUR
        label.visible = float(course.temperature[onset] - w.drive.room[onset]) > 3 and length > 3 * HOUR
    elif course.temperature[onset] - w.drive.room[onset] < 2.5:
        label.accept = ["light-missing"]
    return label


SWITCHED_STRIP = Kind(
    "switched-strip",
    "one power strip for everything, off during the weekly care; half of the water, colder; generous meals",
    tank=_strip,
    care=_care,
    faults={
        "power-interrupted": [
            *FAULTS["power-interrupted"],
            Fault({"heater": True}, (2, 3), _left_off),
        ]
    },
)
