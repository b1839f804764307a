"""All numbers that the judging goes by, in one place: for whoever lists or scales them."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from types import ModuleType

from rushlight.analysis.numbers import Number, Numbers

__all__ = ["ROOMS", "catalogue", "family_of", "owned"]

ROOMS = (
    "rushlight.analysis.physics",
    "rushlight.analysis.estimators",
    "rushlight.analysis.detectors",
    "rushlight.analysis.alarms",
    "rushlight.analysis.watch",
)
"""Where numbers of the judging may be; all their modules are looked at."""


def _modules(name: str) -> Iterator[ModuleType]:
    room = importlib.import_module(name)
    yield room
    for found in pkgutil.walk_packages(getattr(room, "__path__", []), name + "."):
        yield importlib.import_module(found.name)


def catalogue() -> dict[str, Numbers]:
    """Instance by its name, as `HEATER`, of every struct of numbers, in the order of the rooms.

    Raises
    ------
    ValueError
        Two instances have one name, or one instance is kept under two.
    """
    found: dict[str, Numbers] = {}
    for room in ROOMS:
        for module in _modules(room):
            for name, value in vars(module).items():
                if not isinstance(value, Numbers) or type(value).__module__ != module.__name__:
                    continue  # or it is another module's, imported here
                if name in found:
                    raise ValueError(
                        f"{name} in {module.__name__}: another one has that name; choose another"
                    )
                if any(value is other for other in found.values()):
                    raise ValueError(f"{name} in {module.__name__}: is there under another name, too")
                found[name] = value
    return found


def family_of(numbers: Numbers) -> str:
    """The family, or the room, that they belong to: `probes` of `analysis.detectors.probes.numbers`."""
    parts = type(numbers).__module__.removeprefix("rushlight.analysis.").split(".")
    return parts[1] if parts[0] == "detectors" else parts[0]


def owned() -> list[tuple[str, Numbers, Number]]:
    """Each number once: its full name, as `HEATER.settled_c`, its struct, and what it is."""
    return [
        (f"{name}.{entry.name}", numbers, entry)
        for name, numbers in catalogue().items()
        for entry in numbers.entries()
    ]
