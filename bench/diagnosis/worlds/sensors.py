"""Tanks with coarse probes, and tanks that report rarely."""

from __future__ import annotations

from typing import Any

from bench.diagnosis.tank import Course
from bench.diagnosis.world import World
from bench.diagnosis.worlds.kind import Kind

__all__ = ["COARSE", "FIVE_MINUTES"]


def _coarse(world: World, plain: Course, setup: dict[str, Any]) -> None:
    setup.update(t_step=0.5, ph_step=0.1, report_every_s=60)


def _five_minutes(world: World, plain: Course, setup: dict[str, Any]) -> None:
    setup["report_every_s"] = 300


COARSE = Kind("coarse", "probes in steps of 0.5 °C and 0.1 pH, a report a minute", setup=_coarse)
FIVE_MINUTES = Kind("five-minutes", "a report every five minutes", setup=_five_minutes)
