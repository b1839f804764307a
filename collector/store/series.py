"""Series (a tank's quantity each) by number, and what is remembered of their packed days."""

from __future__ import annotations

from typing import Any

from rushlight.collector.store import codec
from rushlight.collector.store.columns import Columns, to_rows
from rushlight.collector.store.database import Database

__all__ = ["DAY_MS", "FIRST", "LAST", "SeriesRows"]

DAY_MS = 86_400_000
FIRST, LAST = -(2**63), 2**63 - 1  # of all times and positions
_REMEMBERED_DAYS = 8


class SeriesRows(Database):
    """The series of the embedded store."""

    _series_ids: dict[tuple[str, str], int]
    # series -> the time before which readings may be in a chunk
    _chunks_end: dict[int, int]
    # series -> no reading of it is newer than this
    _newest_ms: dict[int, int]
    # (series, day) -> values by key (time, seq) in that day's chunk
    _chunk_keys: dict[tuple[int, int], dict[tuple[int, int], float]]

    def _forget(self) -> None:
        super()._forget()
        self._series_ids = {}
        self._chunks_end = {}
        self._newest_ms = {}
        self._chunk_keys = {}

    def _known_series(self) -> dict[tuple[str, str], int]:
        """Numbers of all series, and with them where each ends; in a transaction only."""
        if not self._series_ids:
            for number, tank, quantity, day, newest_ms in self._all(
                "SELECT id, tank, quantity, (SELECT max(day) FROM chunks WHERE series = series.id),"
                " (SELECT max(time_ms) FROM rows WHERE series = series.id) FROM series"
            ):
                self._series_ids[tank, quantity] = number
                end_ms = self._chunks_end[number] = FIRST if day is None else (day + 1) * DAY_MS
                self._newest_ms[number] = end_ms if newest_ms is None else max(end_ms, newest_ms)
        return self._series_ids

    def _new_series(self, tank: str, quantity: str) -> int:
        number = self._run("INSERT INTO series (tank, quantity) VALUES (?, ?)", (tank, quantity)).lastrowid
        assert number is not None
        self._series_ids[tank, quantity] = number
        self._chunks_end[number] = self._newest_ms[number] = FIRST
        return number

    def _packed(self, series: int, time_ms: int, seq: int) -> tuple[float] | None:
        """The value under a key in a chunk, None where the key is not there."""
        if time_ms >= self._chunks_end[series]:
            return None
        day = time_ms // DAY_MS
        keys = self._chunk_keys.get((series, day))
        if keys is None:
            if len(self._chunk_keys) >= _REMEMBERED_DAYS:
                del self._chunk_keys[next(iter(self._chunk_keys))]
            chunk = self._chunk(series, day)
            keys = {}
            if chunk is not None:
                times, numbers = chunk.time_ms.tolist(), chunk.seq.tolist()
                keys = dict(zip(zip(times, numbers, strict=True), chunk.value.tolist(), strict=True))
            self._chunk_keys[series, day] = keys
        value = keys.get((time_ms, seq))
        return None if value is None else (value,)

    def _chunk(self, series: int, day: int) -> Columns | None:
        row = self._one("SELECT blob FROM chunks WHERE series = ? AND day = ?", (series, day))
        return None if row is None else codec.decode(row[0])

    def _find_series(self, tank: str, quantity: str) -> int | None:
        row = self._one("SELECT id FROM series WHERE tank = ? AND quantity = ?", (tank, quantity))
        return None if row is None else int(row[0])

    def _series_of(self, tank: str | None) -> list[tuple[int, str, str]]:
        """(number, tank, quantity) of a tank's series, or of all."""
        return self._all("SELECT id, tank, quantity FROM series WHERE tank = ? OR ? IS NULL", (tank, tank))

    def tanks(self) -> list[str]:
        """Names of all tanks that have readings, sorted."""
        return [row[0] for row in self._all("SELECT DISTINCT tank FROM series ORDER BY tank")]

    def quantities(self, tank: str) -> list[str]:
        """Quantities a tank has readings of, sorted."""
        return [row[0] for row in self._all("SELECT quantity FROM series WHERE tank = ? ORDER BY 1", (tank,))]

    def _first_time(self, series: int, start_ms: int | None) -> int | None:
        """A time not before `start_ms` and not after the first reading from there on."""
        start = FIRST if start_ms is None else start_ms
        row = self._one(
            "SELECT time_ms FROM readings WHERE series = ? AND time_ms >= ? ORDER BY time_ms LIMIT 1",
            (series, start),
        )
        day = self._one(
            "SELECT min(day) FROM chunks WHERE series = ? AND day >= ?", (series, start // DAY_MS)
        )
        times = [] if row is None else [int(row[0])]
        if day[0] is not None:
            times.append(max(day[0] * DAY_MS, start))
        return min(times, default=None)

    def _span(self, series: int, start_ms: int, end_ms: int, until: int = LAST) -> list[tuple[Any, ...]]:
        """(time, value, flag, seq, stamp) within one day, by time and seq; of rows those up to a position."""
        rows = self._all(
            "SELECT time_ms, value, flag, seq, stamp FROM readings"
            " WHERE series = ? AND time_ms >= ? AND time_ms < ? AND position <= ? ORDER BY time_ms, seq",
            (series, start_ms, end_ms, until),
        )
        chunk = self._chunk(series, start_ms // DAY_MS)
        if chunk is not None:
            packed = [row for row in to_rows(chunk) if start_ms <= row[0] < end_ms]
            rows = sorted(packed + rows, key=lambda row: (row[0], row[3])) if rows else packed
        return rows
