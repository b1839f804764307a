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

from bench.diagnosis.judgement import judge
from bench.diagnosis.recorded import ClockPutBack, Step, recorded
from bench.diagnosis.trace import Differs, Trace, TraceWatch
from rushlight.analysis.replay.csv_rows import read_rows
from rushlight.analysis.replay.files import Replay
from rushlight.analysis.watch.catalogue import catalogue, family_of, owned
from rushlight.collector.events import Event
from rushlight.collector.settings import load_settings

__all__ = ["Change", "Judged", "changed", "chosen", "departs", "judged", "noting_reads", "scaled", "traced"]

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
    """A run's events with their words, the verdict (None for a short run, which has no truth), its trace."""

    events: list[str]
    words: list[bytes]
    verdict: dict[str, Any] | None
    trace: Trace


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


@functools.lru_cache(maxsize=100)
def _steps(folder: Path) -> list[Step] | None:
    """None where only the readings show what happens."""
    try:
        return recorded(folder)
    except ClockPutBack:
        return None


def traced(
    folder: Path, by_readings: bool = True, expected: Trace | None = None
) -> tuple[TraceWatch, Iterator[Event]]:
    """A watch that writes its trace, and the run's events through it, by its readings or its frames.

    With another trace expected, taking the events raises `Differs` where the run's own departs from it.
    """
    settings = load_settings(folder / "rushlight.toml")
    ((name, tank),) = settings.tanks.items()
    watch = TraceWatch(name, tank)
    watch.expected = expected
    steps = None if by_readings else _steps(folder)
    if steps is not None:
        return watch, watch.traced(watch.run(steps))
    replay = Replay(settings, lambda _: None)
    replay.watches[name] = watch
    return watch, watch.traced(replay.events(read_rows([folder / "readings.csv"], lambda _: None)))


def judged(folder: Path, change: Change | None = None) -> Judged:
    """A run judged with a changed number."""
    with changed(change):
        watch, found = traced(folder, change is not None and change.readings)
        events = list(found)
    keys = []
    for event in events:
        of = f"/{event.quantity}" if event.quantity else ""
        keys.append(f"{event.time} {event.event} {event.alarm}{of}")
    verdict = None
    if (folder / "truth.json").exists():
        truth = json.loads((folder / "truth.json").read_text(encoding="utf-8")) | {"scenario": folder.name}
        verdict = judge(truth, [msgspec.to_builtins(event) for event in events])
    return Judged(keys, [msgspec.json.encode(event) for event in events], verdict, watch.trace)


@contextlib.contextmanager
def noting_reads() -> Iterator[set[str]]:
    """The numbers that are read within, by their full names."""
    read: set[str] = set()
    kinds = []
    for instance, numbers in catalogue().items():
        kind, fields = type(numbers), frozenset(numbers.__struct_fields__)

        def look(self: Any, name: str, of: str = instance, fields: frozenset[str] = fields) -> Any:
            if name in fields:
                read.add(f"{of}.{name}")
            return object.__getattribute__(self, name)

        kind.__getattribute__ = look  # type: ignore[method-assign]
        kinds.append(kind)
    try:
        yield read
    finally:
        for kind in kinds:
            del kind.__getattribute__


def departs(folder: Path, change: Change | None, expected: Trace) -> str:
    """Where a run judged with a changed number departs from its trace, in words; "" where it never does.

    It is left there: most changes show within the first days.
    """
    with changed(change):
        try:
            _, found = traced(folder, change is not None and change.readings, expected)
            for _ in found:
                pass
        except Differs as differs:
            return f"{folder.name}: {differs.where}"
        except Exception as error:  # a number out of all reason may make anything of the judging
            return f"{folder.name}: {type(error).__name__}: {error}"
    return ""
