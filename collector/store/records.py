"""What a store of readings offers, and the small rows that come out of one."""

from __future__ import annotations

import heapq
from collections.abc import Container, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from rushlight.collector.readings import Reading

if TYPE_CHECKING:
    import pandas as pd

    from rushlight.collector.store.columns import Columns

__all__ = [
    "Notice",
    "ReadingSource",
    "ReadingStore",
    "Request",
    "SetAside",
    "Summary",
    "in_time_order",
]


class ReadingSource(Protocol):
    """Readings out of a local file or a server. Spans of time are half open: `start_ms <= time < end_ms`."""

    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]:
        """One series in order of time."""

    def latest(self, tank: str) -> dict[str, Reading]:
        """The newest reading of each quantity of a tank."""

    def tanks(self) -> list[str]:
        """Names of all tanks that have readings, sorted."""

    def quantities(self, tank: str) -> list[str]:
        """Quantities a tank has readings of, sorted."""

    def columns(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Columns:
        """One series as numpy arrays, by time and seq."""

    def frame(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> pd.DataFrame:
        """One series as a frame: index `time` (UTC), columns value, flag, seq, stamp."""

    def close(self) -> None:
        """Let go of files and connections."""


class ReadingStore(ReadingSource, Protocol):
    """Readings in, readings out."""

    def transaction(self) -> AbstractContextManager[None]:
        """All or nothing of what is written inside; a transaction inside another one joins it."""

    def add_readings(self, readings: Sequence[Reading]) -> int:
        """Keep readings; one that is there already is left alone. Returns how many were new."""


def in_time_order(
    source: ReadingSource,
    tanks: Iterable[str] | None = None,
    start_ms: int | None = None,
    end_ms: int | None = None,
    quantities: Container[str] | None = None,
) -> Iterator[Reading]:
    """All series of some tanks (None: all) as one, by time; the same order from whichever source.

    Readings of one millisecond come by tank and quantity (by name), then seq.
    """
    names = sorted(source.tanks() if tanks is None else tanks)
    series = [
        source.readings(tank, quantity, start_ms, end_ms)
        for tank in names
        for quantity in source.quantities(tank)
        if quantities is None or quantity in quantities
    ]
    return heapq.merge(*series, key=lambda reading: reading.time_ms)


class Notice(NamedTuple):
    """One row of the outbox: one message about one transition of one alarm to one target."""

    id: int
    occurrence: str
    transition: str
    number: int  # 0 for the first sending, 1 and up for re-sends of an unacknowledged alarm
    target: str  # an index or a hash, never the URL itself: that is a secret
    title: str
    body: str
    priority: str
    not_before_ms: int
    created_ms: int
    attempts: int
    next_attempt_ms: int
    delivered_ms: int | None
    error: str


class Request(NamedTuple):
    """What a person asked for through the command line: acknowledge, shelve, try an alarm and so on."""

    id: int
    kind: str
    tank: str
    alarm: str
    quantity: str
    arguments: dict[str, Any]
    actor: str
    created_ms: int
    outcome: str | None
    closed_ms: int | None


class SetAside(NamedTuple):
    """A payload that could not be read, kept for a person to look at."""

    id: int
    link: str
    topic: str
    payload_head: bytes
    size: int
    reason: str
    time_ms: int


class Summary(NamedTuple):
    """Minimum, mean and maximum of the good values of one hour or day (UTC).

    `number` is how many values that went in: those that are there and not flagged FAIL. The three
    figures are None where it is 0.
    """

    start_ms: int
    number: int
    minimum: float | None
    mean: float | None
    maximum: float | None
