"""How a kind of tank differs from the usual draw."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from bench.diagnosis.faults import Fault, Label
from bench.diagnosis.tank import Course
from bench.diagnosis.world import World

__all__ = ["Kind"]


def _world(world: World) -> None:
    """Nothing differs."""


def _setup(world: World, plain: Course, setup: dict[str, Any]) -> None:
    """Nothing differs."""


def _label(world: World, label: Label) -> None:
    """Nothing differs."""


@dataclass(frozen=True)
class Kind:
    """One kind of tank. Each function is called in this order; the usual draw calls none of them."""

    name: str
    about: str
    needs: dict[str, Any] = field(default_factory=dict)
    """What `make_world` must draw; a fault that needs something else does not happen in such a tank."""
    tank: Callable[[World], None] = _world
    """Changes tank, schedules and rooms, before care and wear are added."""
    care: Callable[[World], None] = _world
    """Adds to care and wear."""
    settle: Callable[[World], None] = _world
    """Draws what follows from the world as it is now: after `care`, and once more after the fault."""
    setup: Callable[[World, Course, dict[str, Any]], None] = _setup
    """Has the last word on probes and settings; given the tank's course without the fault."""
    after: Callable[[World, Label], None] = _label
    """Adds to the fault's label what is true in such a tank only."""
    faults: dict[str, list[Fault]] = field(default_factory=dict)
    """In place of the usual ways in which an alarm's fault comes about."""
    never: frozenset[str] = frozenset()
    """Alarms whose fault can't happen in such a tank; the draw takes another in their place."""
    near: tuple[float, float, float] = (0.9, 0.8, 0.95)
    """Of the CO2 limit: above the first the owner turns the gas down to the second; above the third no owner
    would go on."""
    calm: Callable[[World, float], None] | None = None
    """Turns the gas down by a factor, where turning the source down would not."""
    keys: tuple[str, ...] = ()
    """Keys of the settings that a program may not know yet; see `score --without`."""
