"""What was judged of the CO2, kept when it was judged: the range of each quarter of an hour, for the curves.

It is kept in the store beside the readings, a small row a tank and day (UTC), and not in the analysis' state.
A restart gives the readings behind the snapshot again: lowest and highest stay what they were.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from contextlib import suppress
from datetime import date
from typing import NamedTuple

import msgspec

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.gas.judged import Judged
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["SLOT_MS", "GasRange", "JudgedGas", "day_row", "judged_days", "judged_gas"]

SLOT_MS = 900_000
_KIND = "judged-gas"
_DAY_MS = 86_400_000
_EPOCH = date(1970, 1, 1).toordinal()
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
        low, least, most, high = other
        return GasRange(
            min(self.low, low), min(self.least, least), max(self.most, most), max(self.high, high)
        )


_Day = dict[int, GasRange]  # by the number of the quarter within the day
_Packed = tuple[int, int, int, int]


class _Row(msgspec.Struct, array_like=True):
    """A day in the store: its whole range, and apart from that its quarters, which a year does not unpack."""

    whole: _Packed
    quarters: msgspec.Raw


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
        if not (math.isfinite(gas.low) and math.isfinite(gas.mg_l) and math.isfinite(gas.high)):
            return
        estimate = round(gas.mg_l, 2)
        found = GasRange(round(gas.low, 2), estimate, estimate, round(gas.high, 2))
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
                store.save_state(_KIND, key, day_row(whole), None)

    def kept(self) -> None:
        """It is on the disk."""
        for name in self._kept:
            self._new.pop(name, None)
        self._kept = []


def judged_gas(store: EmbeddedStore, tank: str, start_ms: int, end_ms: int) -> Iterator[tuple[int, GasRange]]:
    """What was judged from `start_ms` to before `end_ms`, by the beginning of each quarter, in order."""
    for day_ms, blob in _rows(store, tank, start_ms, end_ms):
        for slot, found in sorted(_read(blob).items()):
            if start_ms <= day_ms + slot * SLOT_MS < end_ms:
                yield day_ms + slot * SLOT_MS, found


def judged_days(
    store: EmbeddedStore, tank: str, start_ms: int, end_ms: int
) -> Iterator[tuple[int, GasRange]]:
    """The same by whole days (UTC): all that have a part in it."""
    for day_ms, blob in _rows(store, tank, start_ms, end_ms):
        with suppress(msgspec.MsgspecError):  # of another version
            yield day_ms, _unpacked(msgspec.msgpack.decode(blob, type=_Row).whole)


def day_row(day: Mapping[int, GasRange]) -> bytes:
    """What is stored of a day that has something."""
    whole: GasRange | None = None
    for found in day.values():
        whole = found.and_(whole)
    assert whole is not None
    quarters = msgspec.msgpack.encode({slot: _packed(found) for slot, found in day.items()})
    return msgspec.msgpack.encode(_Row(_packed(whole), msgspec.Raw(quarters)))


def _rows(store: EmbeddedStore, tank: str, start_ms: int, end_ms: int) -> Iterator[tuple[int, bytes]]:
    first, last = _key(tank, start_ms // _DAY_MS), _key(tank, (end_ms - 1) // _DAY_MS)
    for key, blob in store.states_from(_KIND, first, last):
        day = date.fromisoformat(key.rpartition("/")[2])
        yield (day.toordinal() - _EPOCH) * _DAY_MS, blob


def _key(tank: str, number: int) -> str:
    return f"{tank}/{date.fromordinal(number + _EPOCH)}"


def _packed(found: GasRange) -> _Packed:
    low, least, most, high = (round(value * _PARTS) for value in found)
    return low, least, most, high


def _unpacked(packed: _Packed) -> GasRange:
    return GasRange(*(value / _PARTS for value in packed))


def _read(blob: bytes) -> _Day:
    try:
        row = msgspec.msgpack.decode(blob, type=_Row)
        found = msgspec.msgpack.decode(row.quarters, type=dict[int, _Packed])
    except msgspec.MsgspecError:
        return {}  # of another version
    return {slot: _unpacked(packed) for slot, packed in found.items()}
