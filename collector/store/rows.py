"""Readings: in by batches, out by arrival or by time.

The newest readings are rows, in order of arrival. Days that are over become chunks, one a series and day
(`collector.store.chunks` makes them, `collector.store.codec` packs them); a reading that comes late for such
a day is a row again until it is merged. Whoever reads sees rows and chunks as one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from collector.errors import StoreError
from collector.readings import Reading
from collector.store import codec
from collector.store.database import Database

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COMPACTED", "DAY_MS", "ReadingRows"]

DAY_MS = 86_400_000
COMPACTED = "compacted-position"  # meta: the last position whose row has gone into a chunk
_REMEMBERED_DAYS = 8
_PAGE = 2000  # rows fetched at a time, so that no cursor stays open between yields
_INSERT = (
    "INSERT INTO readings (series, time_ms, value, flag, seq, stamp) VALUES (?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (series, time_ms, seq) DO NOTHING"
)


class ReadingRows(Database):
    """The readings' part of the embedded store; see `collector.store.base.ReadingStore`."""

    # (tank, quantity) -> number, and the time before which readings may be in a chunk
    _series_ids: dict[tuple[str, str], tuple[int, int]]
    # (series, day) -> keys (time, seq) in that day's chunk
    _chunk_keys: dict[tuple[int, int], set[tuple[int, int]]]

    def _forget(self) -> None:
        self._series_ids = {}
        self._chunk_keys = {}

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
            rows = []
            for r in readings:
                series, chunks_end = self._series(r.tank, r.quantity)
                if r.time_ms < chunks_end and self._in_chunk(series, r.time_ms, r.seq):
                    continue
                rows.append((series, r.time_ms, r.value, r.flag, r.seq, r.stamp))
            return self._run_many(_INSERT, rows)

    def _series(self, tank: str, quantity: str) -> tuple[int, int]:
        """Number of a series, made where it is new, and the end of its last chunk; in a transaction only."""
        key = (tank, quantity)
        known = self._series_ids.get(key)
        if known is None:
            self._run("INSERT INTO series (tank, quantity) VALUES (?, ?) ON CONFLICT DO NOTHING", key)
            number = self._find_series(tank, quantity)
            assert number is not None
            newest = self._one("SELECT max(day) FROM chunks WHERE series = ?", (number,))[0]
            known = (number, -(2**63) if newest is None else (newest + 1) * DAY_MS)
            self._series_ids[key] = known
        return known

    def _in_chunk(self, series: int, time_ms: int, seq: int) -> bool:
        day = time_ms // DAY_MS
        keys = self._chunk_keys.get((series, day))
        if keys is None:
            if len(self._chunk_keys) >= _REMEMBERED_DAYS:
                del self._chunk_keys[next(iter(self._chunk_keys))]
            chunk = self._chunk(series, day)
            keys = set()
            if chunk is not None:
                keys.update(zip(chunk.time_ms.tolist(), chunk.seq.tolist(), strict=True))
            self._chunk_keys[series, day] = keys
        return (time_ms, seq) in keys

    def _chunk(self, series: int, day: int) -> codec.Columns | None:
        row = self._one("SELECT blob FROM chunks WHERE series = ? AND day = ?", (series, day))
        return None if row is None else codec.decode(row[0])

    def _find_series(self, tank: str, quantity: str) -> int | None:
        row = self._one("SELECT id FROM series WHERE tank = ? AND quantity = ?", (tank, quantity))
        return None if row is None else int(row[0])

    def position(self) -> int:
        """Position of the reading that arrived last; 0 in an empty store."""
        row = self._one("SELECT seq FROM sqlite_sequence WHERE name = 'readings'")
        return 0 if row is None else int(row[0])

    def arrivals_after(self, position: int, tank: str | None = None) -> Iterator[tuple[int, Reading]]:
        """Readings that arrived after `position`, in order of arrival, each with its own position.

        Of readings in chunks the order of arrival is no longer known: asked from 0, they come first, by
        time, with position 0. Days never go into chunks past the position of a saved state, so whoever
        starts from a saved state always has the true order.

        Raises
        ------
        StoreError
            Readings after `position` are in chunks already; start from 0 instead.
        """
        if position < self._compacted():
            if position > 0:
                raise StoreError(
                    f"{self.path}: readings after position {position} are packed and their order of arrival "
                    "is gone; start again from position 0"
                )
            yield from ((0, reading) for reading in self._packed(tank))
        names: dict[int, tuple[str, str]] = {}
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

    def _compacted(self) -> int:
        row = self._one("SELECT value FROM meta WHERE key = ?", (COMPACTED,))
        return 0 if row is None else int(row[0])

    def _packed(self, tank: str | None) -> Iterator[Reading]:
        """All readings in chunks by time; a day of all the series is held in memory."""
        day = -1
        while True:
            row = self._one("SELECT min(day) FROM chunks WHERE day > ?", (day,))
            if row[0] is None:
                return
            day = row[0]
            found = []
            for of, quantity, blob in self._all(
                "SELECT tank, quantity, blob FROM chunks JOIN series ON series.id = series"
                " WHERE day = ? AND (tank = ? OR ? IS NULL)",
                (day, tank, tank),
            ):
                found += [Reading(of, quantity, *row) for row in codec.to_rows(codec.decode(blob))]
            found.sort(key=lambda r: (r.time_ms, r.seq))
            yield from found

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
        """A time not before `start_ms` and not after the first reading from there on."""
        start = -(2**63) if start_ms is None else start_ms
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

    def _span(self, series: int, start_ms: int, end_ms: int) -> list[tuple[Any, ...]]:
        """(time, value, flag, seq, stamp) of a span within one day, by time and seq."""
        rows = self._all(
            "SELECT time_ms, value, flag, seq, stamp FROM readings"
            " WHERE series = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms, seq",
            (series, start_ms, end_ms),
        )
        chunk = self._chunk(series, start_ms // DAY_MS)
        if chunk is not None:
            packed = [row for row in codec.to_rows(chunk) if start_ms <= row[0] < end_ms]
            rows = sorted(packed + rows, key=lambda row: (row[0], row[3])) if rows else packed
        return rows

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
        day = self._one("SELECT max(day) FROM chunks WHERE series = ?", (series,))[0]
        if day is not None and (row is None or row[0] < (day + 1) * DAY_MS):
            chunk = self._chunk(series, day)
            assert chunk is not None
            last = codec.to_rows(codec.Columns._make(column[-1:] for column in chunk))[0]
            if row is None or (last[0], last[3]) > (row[0], row[3]):
                return last
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

        columns = self.columns(tank, quantity, start_ms, end_ms)
        index = pd.DatetimeIndex(columns.time_ms.view("datetime64[ms]"), name="time").tz_localize("UTC")
        return pd.DataFrame(
            {
                "value": columns.value,
                "flag": columns.flag.astype("int8", copy=False),
                "seq": columns.seq,
                "stamp": columns.stamp.astype("int8", copy=False),
            },
            index=index,
            copy=False,
        )

    def columns(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> codec.Columns:
        """One series as numpy arrays, by time and seq."""
        series = self._find_series(tank, quantity)
        if series is None:
            return codec.from_rows([])
        start = -(2**63) if start_ms is None else start_ms
        end = 2**63 - 1 if end_ms is None else end_ms
        with self._snapshot():
            blobs = self._all(
                "SELECT blob FROM chunks WHERE series = ? AND day BETWEEN ? AND ? ORDER BY day",
                (series, start // DAY_MS, end // DAY_MS),
            )
            rows = self._all(
                "SELECT time_ms, value, flag, seq, stamp FROM readings"
                " WHERE series = ? AND time_ms >= ? AND time_ms < ?",
                (series, start, end),
            )
        parts = [codec.decode(row[0]) for row in blobs]
        if rows:
            parts.append(codec.from_rows(rows))
        whole = codec.concatenate(parts)
        first, last = whole.time_ms.searchsorted([start, end])
        return codec.Columns._make(column[first:last] for column in whole)
