"""Active soil that takes up hardness between water changes.

How fast and how far is common practice, no source: fresh soil brings tap water to about 1 dKH within one to
three days, and takes up less as it is used.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.diagnosis.faults import FAULTS, Fault, Label
from bench.diagnosis.faults.label import onset_of
from bench.diagnosis.tank import Course
from bench.diagnosis.world import DAY, HOUR, World
from bench.diagnosis.worlds.kind import Kind

__all__ = ["SOIL_TAP", "SOIL_TESTED", "add_soil"]


def add_soil(world: World) -> None:
    """Fresh soil, and tap water that is harder than the tank's."""
    rng, tank = world.rng, world.tank
    world.tap_kh = float(rng.uniform(3, 10))
    low = rng.uniform(0.3, 1.5)
    tank.soil_rate = 1 / rng.uniform(8, 48)
    used = rng.uniform(0, 0.04)  # share of its reach that it loses a day
    world.drive.soil_floor = low + (world.tap_kh - low) * used * np.arange(world.n) / DAY
    tank.kh = low + (world.tap_kh - low) * rng.uniform(0.0, 0.3)
    world.lines["water"] = [f"tap_hardness_dkh = {_test(world, world.tap_kh)}", "active_soil = true"]


def _test(world: World, kh: float) -> float:
    """A drop test's word: whole or half degrees, off by up to one drop."""
    step = 1.0 if world.rng.random() < 0.5 else 0.5
    return max(round((kh + world.rng.uniform(-0.6, 0.6) * step) / step) * step, 0.5)


def _tap(world: World) -> None:
    add_soil(world)
    world.excused.append("setting-doubtful/ph")  # the hardness in the settings is not the tank's: true


def _from_tap(world: World, plain: Course, setup: dict[str, Any]) -> None:
    setup["kh"], setup["give_kh"] = float(world.lines["water"][0].split()[-1]), True


def _tested(world: World, plain: Course, setup: dict[str, Any]) -> None:
    at = int(world.rng.uniform(0, min(world.quiet_days, 3)) * DAY)
    setup["kh"], setup["give_kh"] = _test(world, float(plain.kh[at])), True


def _takes_the_rest(w: World, course: Course, s: float) -> Label:
    """Nobody changes water any more, the soil and the filter take what is left."""
    onset = onset_of(w)
    left = course.kh[onset] * w.rng.uniform(0.93, 1.0)
    hours = (6 - 4.5 * s) * 24
    after = np.arange(w.n) >= onset
    assert w.drive.soil_floor is not None
    w.drive.soil_floor = np.where(after, np.minimum(w.drive.soil_floor, 0.05), w.drive.soil_floor)
    w.tank.soil_rate = max(w.tank.soil_rate, 3 / hours)
    w.drive.alkalinity_rate = np.where(after & (np.arange(w.n) < onset + hours * HOUR), -0.02 * left, 0.0)
    w.drive.changes = {k: v for k, v in w.drive.changes.items() if k < onset}
    return Label("ph-out-of-range", "soil-takes-the-rest", onset, onset + 7 * DAY, "acid", need_harm=True)


_FAULTS = {"ph-out-of-range": [Fault({}, (7, 9), _takes_the_rest), FAULTS["ph-out-of-range"][1]]}
_KEYS = ("tap_hardness_dkh", "active_soil")
SOIL_TAP = Kind(
    "active-soil-tap",
    "fresh active soil takes up hardness between water changes; KH in the settings is the tap's",
    tank=_tap,
    setup=_from_tap,
    faults=_FAULTS | {"setting-doubtful": FAULTS["setting-doubtful"][2:]},
    keys=_KEYS,
)
SOIL_TESTED = Kind(
    "active-soil-tested",
    "the same, KH tested once in the tank",
    tank=add_soil,
    setup=_tested,
    faults=_FAULTS,
    keys=_KEYS,
)
