"""What was judged of the CO2, kept when it was judged: the range of each quarter of an hour, for the curves.

It is kept in the store beside the readings, a small row a tank and day (UTC), and not in the analysis' state.
A restart gives the readings behind the snapshot again: lowest and highest stay what they were.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from datetime import UTC, date, datetime
from typing import NamedTuple

import msgspec

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector, Judged
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["SLOT_MS", "GasRange", "JudgedGas", "judged_gas"]

SLOT_MS = 900_000
_KIND = "judged-gas"
_DAY_MS = 86_400_000
_PARTS = 100  # kept to a hundredth, as whole numbers: a third of the room


class GasRange(NamedTuple):
    """mg/L: lowest lower bound, lowest and highest estimate, highest upper bound (one standard error)."""

    low: float
    least: float
    most: float
    high: float

    def and_(self, other: GasRange | None) -> GasRange:
        """Both."""
        if other is None:
            return self
        lows, highs = (min, min, max, max), zip(self, other, strict=True)
        return GasRange(*(take(pair) for take, pair in zip(lows, highs, strict=True)))


_Day = dict[int, GasRange]  # by the number of the quarter within the day


class JudgedGas:
    """Follows the watches of a service, and keeps what is new with their snapshots."""

    def __init__(self) -> None:
        self._new: dict[str, dict[int, _Day]] = {}  # by tank and day
        self._last: dict[str, Judged] = {}
        self._kept: list[str] = []

    def look(self, watch: TankWatch) -> None:
        """After a frame."""
        judged = watch.of(CarbonDioxideDetector).shown
        name = watch.tank.name
        if judged is None or judged is self._last.get(name):
            return
        self._last[name] = judged
        gas = judged.gas
        figures = (gas.low, gas.mg_l, gas.mg_l, gas.high)
        if not all(math.isfinite(value) for value in figures):
            return
        found = GasRange(*(round(value, 2) for value in figures))
        number, within = divmod(judged.time_ms, _DAY_MS)
        day = self._new.setdefault(name, {}).setdefault(number, {})
        slot = within // SLOT_MS
        day[slot] = found.and_(day.get(slot))

    def keep(self, store: EmbeddedStore, names: Collection[str]) -> None:
        """In the transaction of these tanks' snapshots."""
        self._kept = [name for name in names if name in self._new]
        for name in self._kept:
            for number, day in self._new[name].items():
                key = _key(name, number)
                saved = store.load_state(_KIND, key)
                before = {} if saved is None else _read(saved[0])
                whole = before | {slot: found.and_(before.get(slot)) for slot, found in day.items()}
                packed = {slot: [round(value * _PARTS) for value in found] for slot, found in whole.items()}
                store.save_state(_KIND, key, msgspec.msgpack.encode(packed), None)

    def kept(self) -> None:
        """It is on the disk."""
        for name in self._kept:
            self._new.pop(name, None)
        self._kept = []


def judged_gas(store: EmbeddedStore, tank: str, start_ms: int, end_ms: int) -> Iterator[tuple[int, GasRange]]:
    """What was judged from `start_ms` to before `end_ms`, by the beginning of each quarter, in order."""
    first, last = _key(tank, start_ms // _DAY_MS), _key(tank, end_ms // _DAY_MS)
    for key, blob in store.states_from(_KIND, first, last):
        day_ms = round(datetime.fromisoformat(f"{key.rpartition('/')[2]}T00:00Z").timestamp() * 1000)
        for slot, found in sorted(_read(blob).items()):
            if start_ms <= day_ms + slot * SLOT_MS < end_ms:
                yield day_ms + slot * SLOT_MS, found


def _key(tank: str, number: int) -> str:
    day = date.fromordinal(number + datetime(1970, 1, 1, tzinfo=UTC).toordinal())
    return f"{tank}/{day}"


def _read(blob: bytes) -> _Day:
    try:
        packed = msgspec.msgpack.decode(blob, type=dict[int, tuple[int, int, int, int]])
        return {slot: GasRange(*(value / _PARTS for value in found)) for slot, found in packed.items()}
    except msgspec.MsgspecError:
        return {}  # of another version
