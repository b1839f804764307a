"""The families of detectors: what each needs of the others, which alarms are its own, and in which order.

A family looks at one frame after the other and says what it finds. It keeps its own state and writes its own
place in the `Moment`; it reads the places that it declares and no others. Adding one takes its folder, a row
in `rushlight.analysis.watch.families.FAMILIES` and the rows of its alarms in the rationale.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Protocol, runtime_checkable

from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.findings import Finding
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["Family", "Noting", "in_order", "owner_of"]


class Family(Protocol):
    """A family's state and judgement; a `msgspec.Struct` whose fields survive a restart.

    Attributes
    ----------
    name : str
        As people and the log see it.
    place : str
        Its field in `Moment`, "" where it says nothing to others.
    alarms : frozenset of str
        Alarms that only this family finds.
    needs : frozenset of str
        Places of `Moment` that it reads in this frame: those families judge before it.
    recalls : frozenset of str
        Places that it reads as of the frame before ("doubts" is read from `doubts_before`).
    """

    name: ClassVar[str]
    place: ClassVar[str]
    alarms: ClassVar[frozenset[str]]
    needs: ClassVar[frozenset[str]]
    recalls: ClassVar[frozenset[str]]

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """Judge one frame; the findings that hold after it. O(1)."""
        ...

    def recall(self, moment: Moment) -> None:
        """Write what it said of the frame before into `moment`, before any family judges the new one."""
        ...

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """What it judged by, as plain numbers; nothing is computed anew. Names carry their unit."""
        ...


@runtime_checkable
class Noting(Protocol):
    """A family that takes up what the keeper notes: tests by hand, water changes, calibrations."""

    def noted(self, tank: Tank, entry: LogEntry) -> None:
        """An entry of the keeper's log whose time has come; `entry.time_ms` may lie days back."""
        ...

    def undone(self, tank: Tank, entry: LogEntry) -> None:
        """An entry that was given was taken back."""
        ...


def in_order(families: Sequence[type[Family]]) -> list[type[Family]]:
    """The families so that each comes after those that it needs; else as they are given.

    Raises
    ------
    ValueError
        Two families have one name, place or alarm; a need is nobody's; or they need each other in a ring.
    """
    for what in ("name", "place"):
        values = [getattr(one, what) for one in families if getattr(one, what)]
        for value in values:
            if values.count(value) > 1:
                raise ValueError(f"two families have the {what} {value!r}")
    owner_of(families)
    places = {one.place for one in families if one.place}
    for one in families:
        for need in sorted((one.needs | one.recalls) - places):
            raise ValueError(f"{one.name} needs {need!r}, which no family provides")
    waiting, ready, done = list(families), [], set[str]()
    while waiting:
        free = next((one for one in waiting if one.needs <= done), None)
        if free is None:
            raise ValueError(f"{', '.join(one.name for one in waiting)} need each other")
        waiting.remove(free)
        ready.append(free)
        done.add(free.place)
    return ready


def owner_of(families: Sequence[type[Family]]) -> dict[str, str]:
    """Alarm -> name of the family that finds it.

    Raises
    ------
    ValueError
        Two families claim one alarm.
    """
    owners: dict[str, str] = {}
    for one in families:
        for alarm in one.alarms:
            if alarm in owners:
                raise ValueError(f"{alarm} belongs to {owners[alarm]} and to {one.name}")
            owners[alarm] = one.name
    return owners
