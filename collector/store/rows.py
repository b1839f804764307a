"""Readings: in by batches, out by arrival or by time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from collector.readings import Reading
from collector.store.database import Database

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DAY_MS", "ReadingRows"]

DAY_MS = 86_400_000
_PAGE = 2000  # rows fetched at a time, so that no cursor stays open between yields
_INSERT = (
    "INSERT INTO readings (series, time_ms, value, flag, seq, stamp) VALUES (?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (series, time_ms, seq) DO NOTHING"
)


class ReadingRows(Database):
    """The readings' part of the embedded store; see `collector.store.base.ReadingStore`."""

    _series_ids: dict[tuple[str, str], int]

    def _forget(self) -> None:
        self._series_ids = {}

    def add_readings(self, readings: Sequence[Reading]) -> int:
        """Keep readings, in this order of arrival.

        The key is (tank, quantity, time, seq): the same report again is no new row, whatever its value.

        Returns
        -------
        int
            How many were new.

        Raises
        ------
        StoreFull, StoreError
            Nothing of the batch was kept.
        """
        if not readings:
            return 0
        with self.transaction():
            series = self._series
            rows = [
                (series(r.tank, r.quantity), r.time_ms, r.value, r.flag, r.seq, r.stamp) for r in readings
            ]
            return self._run_many(_INSERT, rows)

    def _series(self, tank: str, quantity: str) -> int:
        """Number of a series, made where it is new; inside a transaction only."""
        key = (tank, quantity)
        number = self._series_ids.get(key)
        if number is None:
            self._run("INSERT INTO series (tank, quantity) VALUES (?, ?) ON CONFLICT DO NOTHING", key)
            row = self._one("SELECT id FROM series WHERE tank = ? AND quantity = ?", key)
            number = self._series_ids[key] = int(row[0])
        return number

    def _find_series(self, tank: str, quantity: str) -> int | None:
        row = self._one("SELECT id FROM series WHERE tank = ? AND quantity = ?", (tank, quantity))
        return None if row is None else int(row[0])

    def position(self) -> int:
        """Position of the reading that arrived last; 0 in an empty store."""
        row = self._one("SELECT seq FROM sqlite_sequence WHERE name = 'readings'")
        return 0 if row is None else int(row[0])

    def arrivals_after(self, position: int, tank: str | None = None) -> Iterator[tuple[int, Reading]]:
        """Readings that arrived after `position`, in order of arrival, each with its own position."""
        names = {row[0]: row[1:] for row in self._all("SELECT id, tank, quantity FROM series")}
        while True:
            rows = self._all(
                "SELECT position, series, time_ms, value, flag, seq, stamp FROM readings"
                " WHERE position > ? ORDER BY position LIMIT ?",
                (position, _PAGE),
            )
            if not rows:
                return
            for position, series, *rest in rows:
                if series not in names:
                    names = {row[0]: row[1:] for row in self._all("SELECT id, tank, quantity FROM series")}
                of, quantity = names[series]
                if tank is None or of == tank:
                    yield position, Reading(of, quantity, *rest)

    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]:
        """One series by time, then seq, `start_ms <= time < end_ms`. A day at a time is held in memory."""
        series = self._find_series(tank, quantity)
        if series is None:
            return
        cursor = start_ms
        while True:
            with self._snapshot():
                first = self._first_time(series, cursor)
                if first is None or (end_ms is not None and first >= end_ms):
                    return
                stop = (first // DAY_MS + 1) * DAY_MS
                rows = self._span(series, first, stop if end_ms is None else min(stop, end_ms))
            for row in rows:
                yield Reading(tank, quantity, *row)
            cursor = stop

    def _first_time(self, series: int, start_ms: int | None) -> int | None:
        """Time of the first reading at or after `start_ms`."""
        row = self._one(
            "SELECT time_ms FROM readings WHERE series = ? AND time_ms >= ? ORDER BY time_ms LIMIT 1",
            (series, -(2**63) if start_ms is None else start_ms),
        )
        return None if row is None else int(row[0])

    def _span(self, series: int, start_ms: int, end_ms: int) -> list[tuple[Any, ...]]:
        """(time, value, flag, seq, stamp) of a span within one day, by time and seq."""
        return self._all(
            "SELECT time_ms, value, flag, seq, stamp FROM readings"
            " WHERE series = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms, seq",
            (series, start_ms, end_ms),
        )

    def latest(self, tank: str) -> dict[str, Reading]:
        """The newest reading (by its time) of each quantity of a tank."""
        found = {}
        with self._snapshot():
            for series, quantity in self._all("SELECT id, quantity FROM series WHERE tank = ?", (tank,)):
                row = self._newest(series)
                if row is not None:
                    found[quantity] = Reading(tank, quantity, *row)
        return found

    def _newest(self, series: int) -> tuple[Any, ...] | None:
        row: tuple[Any, ...] | None = self._one(
            "SELECT time_ms, value, flag, seq, stamp FROM readings WHERE series = ?"
            " ORDER BY time_ms DESC, seq DESC LIMIT 1",
            (series,),
        )
        return row

    def tanks(self) -> list[str]:
        """Names of all tanks that have readings, sorted."""
        return [row[0] for row in self._all("SELECT DISTINCT tank FROM series ORDER BY tank")]

    def quantities(self, tank: str) -> list[str]:
        """Quantities a tank has readings of, sorted."""
        return [row[0] for row in self._all("SELECT quantity FROM series WHERE tank = ? ORDER BY 1", (tank,))]

    def frame(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> pd.DataFrame:
        """One series as a pandas frame, by time.

        Returns
        -------
        pandas.DataFrame
            Index `time` (UTC, milliseconds); columns value (float64, NaN where the probe could not be
            read), flag (int8), seq (int64), stamp (int8).
        """
        import pandas as pd

        rows = [
            (r.time_ms, r.value, r.flag, r.seq, r.stamp)
            for r in self.readings(tank, quantity, start_ms, end_ms)
        ]
        table = pd.DataFrame(rows, columns=["time", "value", "flag", "seq", "stamp"])
        table = table.astype({"value": "float64", "flag": "int8", "seq": "int64", "stamp": "int8"})
        table["time"] = table["time"].astype("int64").astype("datetime64[ms]").dt.tz_localize("UTC")
        return table.set_index("time")
