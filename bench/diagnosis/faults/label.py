"""What a fault says of itself, and what all faults need to find their moment."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bench.diagnosis.tank import Array, Course
from bench.diagnosis.world import World

__all__ = ["Apply", "Fault", "Label", "first", "onset_of"]


@dataclass
class Label:
    """The truth about one fault. Steps count from the start of the run."""

    alarm: str
    variant: str
    onset: int
    deadline: int
    harm: str = ""  # "co2", "warm", "cold", "acid", "alkaline" or "" for no acute harm
    quantity: str = ""
    accept: list[str] = field(default_factory=list)  # as good as the right name
    excused: list[str] = field(default_factory=list)  # true side effects: neither right nor false
    end: int | None = None
    need_harm: bool = False  # the scenario is drawn again if the limit is not crossed
    visible: bool = True  # drawn again if the readings can't show it


Apply = Callable[[World, Course, float], Label]


@dataclass(frozen=True)
class Fault:
    """How a fault is made: what the tank needs, days after the quiet ones, and the change itself."""

    needs: dict[str, Any]
    extra_days: tuple[int, int]
    apply: Apply


def onset_of(world: World, lo: int = 0, hi: int = 1440) -> int:
    """A step of the first day after the quiet ones, between two minutes of the day."""
    return world.step_of_day(int(world.quiet_days), float(world.rng.integers(lo, hi)))


def first(mask: Array, start: int) -> int:
    """The first step from `start` on where `mask` holds; `start` where none does."""
    hits = np.flatnonzero(mask[start:])
    return start + int(hits[0]) if len(hits) else start
