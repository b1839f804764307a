"""Readings out of a store as they are by the calibrations that are known now.

A calibration that was noted later than its time, or undone, changes what was stored before. pH is had again
from the stored millivolts and the water's temperature; temperature and light by taking back what was applied.
A tank whose log has no calibration comes through untouched.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from typing import TYPE_CHECKING, Protocol

from rushlight.collector.electrode import ph_from_millivolts
from rushlight.collector.readings import LIGHT, PH, PH_PROBE, TEMPERATURE, Flag, Reading
from rushlight.collector.settings.tables import TankSettings
from rushlight.collector.store.calibration import TankCalibrations
from rushlight.collector.store.columns import from_rows, to_frame

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from rushlight.collector.store.columns import Columns
    from rushlight.collector.store.keeper_rows import KeeperLog
    from rushlight.collector.store.records import ReadingSource

__all__ = ["Recalibrated", "RecalibratedSource", "calibrations_of"]

_WARM_C = 25.0  # where no water temperature is known yet, as on the way in
_WARM_UP_MS = 3_600_000  # so far before the span a temperature is looked for


def calibrations_of(store: KeeperLog, tanks: Mapping[str, TankSettings]) -> dict[str, TankCalibrations]:
    """Those of each tank that has any in the log."""
    written = store.calibrations()
    return {
        name: TankCalibrations(
            [one for one in written if one.tank == name],
            tanks[name].ph_calibration.points if name in tanks else (),
        )
        for name in sorted({one.tank for one in written})
    }


class _Readings(Protocol):
    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]: ...


class Recalibrated:
    """Readings, seen through the calibrations.

    Parameters
    ----------
    source : any that has `readings`
    calibrations : dict of str to TankCalibrations
        By tank.
    """

    def __init__(self, source: _Readings, calibrations: Mapping[str, TankCalibrations]) -> None:
        self._readings = source
        self._known = calibrations

    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]:
        """One series by time, then seq, `start_ms <= time < end_ms`."""
        found = self._readings.readings(tank, quantity, start_ms, end_ms)
        known = self._known.get(tank)
        if known is None:
            return found
        if quantity in (TEMPERATURE, LIGHT) and known.has(quantity):
            return (_again(reading, known) for reading in found)
        if quantity == PH and known.has(PH_PROBE):
            return self._ph(tank, found, known, start_ms, end_ms)
        return found

    def _ph(
        self,
        tank: str,
        stored: Iterator[Reading],
        known: TankCalibrations,
        start_ms: int | None,
        end_ms: int | None,
    ) -> Iterator[Reading]:
        """The stored ones, each with the value that its millivolts have now."""
        early = None if start_ms is None else start_ms - _WARM_UP_MS
        rows: list[Iterator[tuple[int, int, int, Reading]]] = [
            ((r.time_ms, r.seq, 0, r) for r in self.readings(tank, TEMPERATURE, early, end_ms)),
            ((r.time_ms, r.seq, 1, r) for r in self._readings.readings(tank, PH_PROBE, start_ms, end_ms)),
            ((r.time_ms, r.seq, 2, r) for r in stored),
        ]
        celsius, probe = _WARM_C, None
        for time_ms, seq, kind, reading in heapq.merge(*rows, key=lambda row: row[:3]):
            if kind == 0:
                if reading.value is not None and reading.flag < Flag.SUSPECT:
                    celsius = reading.value
            elif kind == 1:
                probe = reading
            else:
                mine = probe is not None and (probe.time_ms, probe.seq) == (time_ms, seq)
                if mine and probe is not None and probe.value is not None and reading.value is not None:
                    reading.value = _ph_of(probe.value, celsius, known, reading)
                yield reading


class RecalibratedSource(Recalibrated):
    """The same of a whole source, for an export."""

    def __init__(self, source: ReadingSource, calibrations: Mapping[str, TankCalibrations]) -> None:
        super().__init__(source, calibrations)
        self._source = source

    def columns(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Columns:
        """One series as numpy arrays, by time and seq."""
        if tank not in self._known:
            return self._source.columns(tank, quantity, start_ms, end_ms)
        rows = [
            (r.time_ms, r.value, r.flag, r.seq, r.stamp)
            for r in self.readings(tank, quantity, start_ms, end_ms)
        ]
        return from_rows(rows)

    def frame(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> pd.DataFrame:
        """One series as a pandas frame, by time."""
        return to_frame(self.columns(tank, quantity, start_ms, end_ms))

    def latest(self, tank: str) -> dict[str, Reading]:
        """The newest reading of each quantity, as it was stored: it is by the newest calibration."""
        return self._source.latest(tank)

    def tanks(self) -> list[str]:
        """Names of all tanks that have readings, sorted."""
        return self._source.tanks()

    def quantities(self, tank: str) -> list[str]:
        """Quantities a tank has readings of, sorted."""
        return self._source.quantities(tank)

    def close(self) -> None:
        """Close what is behind it."""
        self._source.close()


def _again(reading: Reading, known: TankCalibrations) -> Reading:
    if reading.value is not None:
        reading.value = known.again(reading.quantity, reading.time_ms, reading.value)
    return reading


def _ph_of(mv: float, celsius: float, known: TankCalibrations, stored: Reading) -> float | None:
    try:
        return ph_from_millivolts(mv, celsius, known.points(stored.time_ms))
    except (ValueError, ArithmeticError):
        return stored.value
