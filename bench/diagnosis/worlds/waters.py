"""Humic water, and a new tank in its first month."""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.diagnosis.tank import Course
from bench.diagnosis.world import DAY, World
from bench.diagnosis.worlds.kind import Kind
from bench.diagnosis.worlds.soils import add_soil, drop_test
from rushlight.simulator.chemistry import ALKALINITY_PER_DKH, TITRATED, humic_alkalinity

__all__ = ["HUMIC", "NEW_TANK"]


def _humic(world: World) -> None:
    """Peat, leaves and roots: 5 to 35 mg/L of dissolved organic carbon, 10 µeq of acid groups a mg (Oliver
    and others 1983, see `simulator/chemistry.py`; from memory), in soft water."""
    world.tank.humic_eq = world.rng.uniform(5, 35) * 10e-6
    world.tank.kh = world.rng.uniform(1.5, 5.0)


def _titrated(world: World, plain: Course, setup: dict[str, Any]) -> None:
    """The drop test ends where part of the humic acids has given in, too: it reads too high or too low."""
    left = humic_alkalinity(world.tank.humic_eq, TITRATED) / ALKALINITY_PER_DKH
    setup["kh"], setup["give_kh"] = drop_test(world, world.tank.kh - left), True


HUMIC = Kind("humic", "humic acids: alkalinity that is no carbonate", tank=_humic, setup=_titrated)


def _new(world: World) -> None:
    """Water changed every day or two, tap water of another hardness, plants that grow in."""
    rng, tank = world.rng, world.tank
    world.change_every = int(rng.choice([1, 2, 2]))
    if rng.random() < 0.5:
        add_soil(world)
    else:
        world.tap_kh = float(np.clip(tank.kh * np.exp(rng.uniform(np.log(0.4), np.log(2.5))), 1.0, 14.0))
        world.lines["water"] = [f"tap_hardness_dkh = {drop_test(world, world.tap_kh)}"]
    world.drive.uptake_gain = rng.uniform(0.2, 0.5) + np.arange(world.n) / DAY * rng.uniform(0.03, 0.07)


def _tested_once(world: World, plain: Course, setup: dict[str, Any]) -> None:
    at = int(world.rng.uniform(0, min(world.quiet_days, 3)) * DAY)
    setup["kh"], setup["give_kh"] = drop_test(world, float(plain.kh[at])), True


NEW_TANK = Kind(
    "new-tank",
    "the first month: water changes every day or two, tap water of another hardness, plants that grow in",
    tank=_new,
    setup=_tested_once,
    keys=("tap_hardness_dkh", "active_soil"),
)
