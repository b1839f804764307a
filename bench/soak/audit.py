"""What was sent and acknowledged against what is stored, and whose loss a loss is."""

from __future__ import annotations

import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import msgspec

from bench.soak.load import Board, BoardWithoutNumbers, SerialBoard, number_of
from bench.soak.tap import Tap
from rushlight.collector.events import Event
from rushlight.collector.influx.reader import InfluxReadings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = [
    "Copy",
    "Verdict",
    "as_they_came",
    "audit_board",
    "audit_copy",
    "audit_plain",
    "audit_serial",
    "broken_promises",
]

QUANTITIES = ("temperature", "light")


class Verdict(NamedTuple):
    """Counts of readings; `strange`: stored, never sent; `counted`: the store's own count of lost reports.

    `first` and `last` are the lowest and highest report stored, -1 where there is none.
    """

    tank: str
    sent: int
    acknowledged: int
    stored: int
    lost: list[tuple[str, int]]
    doubled: list[tuple[str, int]]
    strange: int
    counted: int
    retimed: int
    first: int
    last: int


class Copy(NamedTuple):
    """Readings in the local file and on the InfluxDB server, and how many of each the other has not."""

    tank: str
    local: int
    server: int
    missing: int
    extra: int


def _stored(
    path: Path, tank: str, quantities: tuple[str, ...] = QUANTITIES
) -> tuple[dict[str, Counter[int]], int, int]:
    with EmbeddedStore(path, read_only=True) as store:
        found, retimed = {}, 0
        for quantity in quantities:
            readings = list(store.readings(tank, quantity))
            found[quantity] = Counter(number_of(quantity, r.value) for r in readings)
            retimed += sum(r.stamp != 0 for r in readings)
        return found, store.counters().get(f"{tank}.lost", 0), retimed


def _verdict(path: Path, board: Board | SerialBoard, wanted: set[int], acknowledged: int) -> Verdict:
    quantities, each = board.quantities, len(board.quantities)
    found, counted, retimed = _stored(path, board.tank, quantities)
    lost = [(q, n) for q in quantities for n in sorted(wanted - found[q].keys())]
    doubled = [(q, n) for q in quantities for n, times in sorted(found[q].items()) if times > 1]
    strange = sum(1 for q in quantities for n in found[q] if not 0 <= n < board.sent)
    stored = sum(sum(counts.values()) for counts in found.values())
    numbers = {n for counts in found.values() for n in counts}
    first, last = min(numbers, default=-1), max(numbers, default=-1)
    return Verdict(
        board.tank,
        each * board.sent,
        each * acknowledged,
        stored,
        lost,
        doubled,
        strange,
        counted,
        retimed,
        first,
        last,
    )


def as_they_came(path: Path) -> list[Event]:
    """The store's events as they were written: a stepped clock puts their times in another order."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        rows = database.execute("SELECT json FROM events ORDER BY id").fetchall()
    return [msgspec.json.decode(row[0], type=Event) for row in rows]


def audit_board(path: Path, board: Board) -> Verdict:
    """Every reading whose report the broker acknowledged is there once."""
    return _verdict(path, board, set(board.acknowledged), len(board.acknowledged))


def audit_serial(path: Path, board: SerialBoard) -> Verdict:
    """No report is acknowledged; `lost` is what is missing, `counted` what `seq` made visible."""
    return _verdict(path, board, set(range(board.sent)), 0)


def broken_promises(path: Path, board: Board, tap: Tap) -> list[int]:
    """Reports that the collector acknowledged to the broker and that are not stored: there must be none."""
    found, *_ = _stored(path, board.tank, board.quantities)
    taken = {number for tank, number in tap.acknowledged if tank == board.tank}
    if isinstance(board, BoardWithoutNumbers):
        taken = {number for name, number in tap.acknowledged if name == f"{board.tank}/l"}
    return sorted({n for q in board.quantities for n in taken - found[q].keys()})


def audit_plain(path: Path, board: BoardWithoutNumbers, tap: Tap) -> list[str]:
    """What is wrong with the readings of a board without numbers, in words.

    What the broker hands over again after a kill can't always be told from a new reading. So each reading
    that the collector acknowledged must be there, and none more often than it was handed over. Equal values
    are counted together.
    """
    least: dict[str, Counter[float]] = {quantity: Counter() for _, quantity in board.TOPICS}
    most: dict[str, Counter[float]] = {quantity: Counter() for _, quantity in board.TOPICS}
    for topic, quantity in board.TOPICS:
        for (name, number), times in tap.handed.items():
            if name == f"{board.tank}/{topic}":
                value = board.celsius(number) if quantity == "temperature" else number
                most[quantity][value] += times
                least[quantity][value] += (name, number) in tap.acknowledged
    faults = []
    with EmbeddedStore(path, read_only=True) as store:
        for _, quantity in board.TOPICS:
            found = Counter(r.value or 0.0 for r in store.readings(board.tank, quantity))
            lost, more = least[quantity] - found, found - most[quantity]
            if lost:
                faults.append(f"{board.tank}: {lost.total()} {quantity} readings acknowledged and not stored")
            if more:
                faults.append(f"{board.tank}: {more.total()} {quantity} readings more than were handed over")
    return faults


def audit_copy(path: Path, server: InfluxReadings, tank: str) -> Copy:
    """Whether the server has each reading of the local file once, and nothing else."""
    with EmbeddedStore(path, read_only=True) as store:
        local, copy = (
            Counter((q, r.time_ms, r.seq, r.value, r.flag, r.stamp) for q in QUANTITIES for r in of(tank, q))
            for of in (store.readings, server.readings)
        )
    return Copy(tank, local.total(), copy.total(), (local - copy).total(), (copy - local).total())
