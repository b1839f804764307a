"""What was sent and acknowledged against what is stored."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import NamedTuple

from bench.soak.load import Board, SerialBoard, number_of
from collector.store.embedded import EmbeddedStore

__all__ = ["Verdict", "audit_board", "audit_serial"]

QUANTITIES = ("temperature", "light")


class Verdict(NamedTuple):
    """Counts of readings; `strange`: stored, never sent; `counted`: the store's own count of lost reports."""

    tank: str
    sent: int
    acknowledged: int
    stored: int
    lost: list[tuple[str, int]]
    doubled: list[tuple[str, int]]
    strange: int
    counted: int
    retimed: int


def _stored(path: Path, tank: str) -> tuple[dict[str, Counter[int]], int, int]:
    with EmbeddedStore(path, read_only=True) as store:
        found, retimed = {}, 0
        for quantity in QUANTITIES:
            readings = list(store.readings(tank, quantity))
            found[quantity] = Counter(number_of(quantity, r.value) for r in readings)
            retimed += sum(r.stamp != 0 for r in readings)
        return found, store.counters().get(f"{tank}.lost", 0), retimed


def _verdict(path: Path, tank: str, sent: int, wanted: set[int], acknowledged: int) -> Verdict:
    found, counted, retimed = _stored(path, tank)
    lost = [(q, n) for q in QUANTITIES for n in sorted(wanted - found[q].keys())]
    doubled = [(q, n) for q in QUANTITIES for n, times in sorted(found[q].items()) if times > 1]
    strange = sum(1 for q in QUANTITIES for n in found[q] if not 0 <= n < sent)
    stored = sum(sum(counts.values()) for counts in found.values())
    return Verdict(tank, 2 * sent, 2 * acknowledged, stored, lost, doubled, strange, counted, retimed)


def audit_board(path: Path, board: Board) -> Verdict:
    """Every reading whose report the broker acknowledged is there once."""
    return _verdict(path, board.tank, board.sent, set(board.acknowledged), len(board.acknowledged))


def audit_serial(path: Path, board: SerialBoard) -> Verdict:
    """No report is acknowledged; `lost` is what is missing, `counted` what `seq` made visible."""
    return _verdict(path, board.tank, board.sent, set(range(board.sent)), 0)
