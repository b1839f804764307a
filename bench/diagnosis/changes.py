"""A number of the judging, changed for a while; and what a run's judging makes of it."""

from __future__ import annotations

import contextlib
import functools
import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from bench.diagnosis.judging import judge
from bench.diagnosis.recorded import Step, events_by_frames, events_by_readings, recorded
from rushlight.analysis.watch.catalogue import catalogue, family_of, owned

__all__ = ["Change", "Judged", "changed", "chosen", "judged", "scaled"]

READ_FIRST = ("FRAMES.", "CLOCK.step_ms", "CLOCK.times_from_ms")
"""Numbers that act before there are frames: with one of them changed, a run is fed its readings."""


class Change(NamedTuple):
    """A number by its full name, as `HEATER.settled_c`, and another value of it."""

    name: str
    value: float

    @property
    def readings(self) -> bool:
        """It may act before there are frames."""
        return self.name.startswith(READ_FIRST)


class Judged(NamedTuple):
    """A run's events, with and without their words, and the verdict on them."""

    events: list[str]
    words: list[bytes]
    verdict: dict[str, Any]


def scaled(value: float, factor: float) -> float:
    """A whole number stays one, and is at least one off."""
    if not isinstance(value, int):
        return value * factor
    whole = round(value * factor)
    return whole if whole != value else value + (1 if factor > 1 else -1)


@contextlib.contextmanager
def changed(change: Change | None) -> Iterator[None]:
    """Let a number have another value within.

    Raises
    ------
    KeyError
        There is no number of that name.
    """
    if change is None:
        yield
        return
    instance, _, field = change.name.partition(".")
    numbers = catalogue().get(instance)
    if numbers is None or field not in numbers.__struct_fields__:
        raise KeyError(f"{change.name}: no such number; see rushlight.analysis.watch.catalogue")
    before = getattr(numbers, field)
    msgspec.structs.force_setattr(numbers, field, change.value)
    try:
        yield
    finally:
        msgspec.structs.force_setattr(numbers, field, before)


def chosen(
    family: str | None = None, number: str | None = None, sample: int | None = None, seed: int = 1
) -> list[tuple[str, float]]:
    """Names and values: all, or those of a family, or that have that in their name, or so many by chance."""
    found = [
        (name, entry.value)
        for name, numbers, entry in owned()
        if (family is None or family_of(numbers) == family) and (number is None or number in name)
    ]
    if sample is not None and sample < len(found):
        found = random.Random(seed).sample(found, sample)
    return found


@functools.lru_cache(maxsize=50)
def _steps(folder: Path) -> list[Step]:
    return recorded(folder)


def judged(folder: Path, change: Change | None = None, baseline: Judged | None = None) -> Judged | None:
    """A run judged with a changed number.

    Parameters
    ----------
    baseline : Judged or None
        Where given, the run is left at the first event that is another one: then there is no verdict.

    Returns
    -------
    Judged or None
        None where it was left.
    """
    by_readings = change is not None and change.readings
    steps = None if by_readings else _steps(folder)
    keys, words, plain = [], [], []
    with changed(change):
        found = events_by_readings(folder) if steps is None else events_by_frames(folder, steps)
        for event in found:
            of = f"/{event.quantity}" if event.quantity else ""
            keys.append(f"{event.time} {event.event} {event.alarm}{of}")
            words.append(msgspec.json.encode(event))
            plain.append(msgspec.to_builtins(event))
            if baseline is not None and keys != baseline.events[: len(keys)]:
                return None
    if baseline is not None and len(keys) != len(baseline.events):
        return None
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8")) | {"scenario": folder.name}
    return Judged(keys, words, judge(truth, plain))
