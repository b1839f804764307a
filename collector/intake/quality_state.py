"""The quality tests' memory of one tank: saved with its readings, learnt again from them after an upgrade."""

from __future__ import annotations

import heapq

from rushlight.collector.intake.quality import QualityChecker, SeriesState
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.store.records import ReadingSource
from rushlight.collector.store.saved import pack, unpack

__all__ = ["QUALITY_STATE", "learn_quality", "load_quality", "save_quality"]

QUALITY_STATE = "quality"
"""Kind of the snapshot, under the tank's name."""

LEARN_MS = 3 * 86_400_000  # the longest test, the flat line's, looks back so far

_KIND = dict[str, SeriesState]


def save_quality(states: dict[str, SeriesState]) -> bytes:
    """State of one tank's series by quantity, as bytes."""
    return pack(QUALITY_STATE, _KIND, states)


def load_quality(blob: bytes) -> dict[str, SeriesState]:
    """What `save_quality` gave.

    Raises
    ------
    msgspec.MsgspecError
        It can't be read, or another version wrote it.
    """
    found: dict[str, SeriesState] = unpack(QUALITY_STATE, _KIND, blob)
    return found


def learn_quality(store: ReadingSource, tank: str) -> dict[str, SeriesState]:
    """The same state from the stored readings; their flags in the store stay as they are."""
    newest = max((reading.time_ms for reading in store.latest(tank).values()), default=0)
    series = [store.readings(tank, name, newest - LEARN_MS) for name in QUANTITIES]
    checker = QualityChecker()
    for reading in heapq.merge(*series, key=lambda one: one.time_ms):
        checker.flag(reading)
    return checker.states_of(tank)
