"""Readings: in by batches, out by time.

The newest readings are rows, by series and time. Days that are over become chunks, one a series and day
(`rushlight.collector.store.chunks` makes them, `rushlight.collector.store.codec` packs them); a reading that
comes late for such a day is a row again until it is merged. Whoever reads sees rows and chunks as one.

What has just come in lies in its order of arrival first (`rushlight.collector.store.arrivals`). All rows in
order of arrival, as in schema 2, lie on as many pages as there are rows once there are hundreds of series:
packing a day then read and wrote one page a reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from rushlight.collector.readings import Reading
from rushlight.collector.store import codec
from rushlight.collector.store.arrivals import ArrivalRows
from rushlight.collector.store.columns import Columns, concatenate, from_rows, to_frame
from rushlight.collector.store.series import DAY_MS, FIRST, LAST

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ReadingRows"]

_INSERT = (
    "INSERT INTO rows (series, time_ms, seq, value, flag, stamp, position) VALUES (?, ?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (series, time_ms, seq) DO NOTHING"
)
_BESIDE_MS = 1000  # at most so far away is kept what has the key of another reading
_ARRIVE = "INSERT INTO arrivals (position, series, time_ms, seq) VALUES (?, ?, ?, ?)"
_ARRIVE_BESIDE = _ARRIVE.replace("INSERT", "INSERT OR REPLACE")  # its line with the key that was taken


class ReadingRows(ArrivalRows):
    """The readings' part of the embedded store; see `rushlight.collector.store.records.ReadingStore`."""

    def add_readings(self, readings: Iterable[Reading]) -> int:
        """Keep readings, in this order of arrival.

        The key is (tank, quantity, time, seq): the same report again is no new row. Another value under a
        key that is taken is another reading (a clock that was put back, two of one millisecond): it is kept
        a few milliseconds later, and counted as "TANK.collided"; where there is no room within a second it is
        counted as "TANK.crowded-out".

        Returns
        -------
        int
            How many were new.

        Raises
        ------
        StoreFull, StoreError
            Nothing of the batch was kept.
        """
        many = list(readings)  # it may be an iterator, and is gone through again where something is late
        if not many:
            return 0
        with self.transaction():
            position = self.position()
            ids, newest_ms = self._known_series(), self._newest_ms
            fields: list[Any] = []
            late = False
            for r in many:
                series = ids.get((r.tank, r.quantity))
                if series is None:
                    series = self._new_series(r.tank, r.quantity)
                time_ms = r.time_ms
                position += 1
                fields += (position, series, time_ms, r.seq, r.value, r.flag, r.stamp)
                if time_ms > newest_ms[series]:
                    newest_ms[series] = time_ms
                else:
                    late = True
            if late:
                self._sort_in()
                return self._add_among(many)
            self._arrive(fields)
            return len(many)

    def _add_among(self, readings: Sequence[Reading]) -> int:
        """Keep readings some of which may be there, or lie before others of their series."""
        position = self.position()
        ids, ends = self._known_series(), self._chunks_end
        unpacked = max(ends.values(), default=FIRST)  # from here on no series has a chunk
        rows: list[tuple[Any, ...]] = []
        clashes: list[tuple[str, tuple[Any, ...]]] = []
        for r in readings:
            series = ids[r.tank, r.quantity]
            time_ms, seq = r.time_ms, r.seq
            row = (series, time_ms, seq, r.value, r.flag, r.stamp, position + 1)
            if (
                time_ms < unpacked
                and time_ms < ends[series]
                and (packed := self._packed(series, time_ms, seq))
            ):
                if not _same(packed[0], r.value):
                    position += 1
                    clashes.append((r.tank, row))
                continue
            position += 1
            rows.append(row)
        new = self._run_many(_INSERT, rows)
        if new:
            # A repeat gets a line here, too; its position is not that of the row, so nobody sees it.
            self._run_many(_ARRIVE, ((row[-1], *row[:3]) for row in rows))
        if new < len(rows):
            tanks = {series: tank for (tank, _), series in ids.items()}
            clashes += [(tanks[row[0]], row) for row in rows if self._taken(row)]
        return new + sum(self._keep_beside(tank, row) for tank, row in clashes)

    def _taken(self, row: tuple[Any, ...]) -> bool:
        """Whether a row's key holds another value, of another arrival."""
        series, time_ms, seq, value, *_, position = row
        sql = "SELECT position, value FROM rows WHERE series = ? AND time_ms = ? AND seq = ?"
        there = self._one(sql, (series, time_ms, seq))
        return there is not None and there[0] != position and not _same(there[1], value)

    def _keep_beside(self, tank: str, row: tuple[Any, ...]) -> int:
        """Keep a reading whose key another one has; 1, or 0 where it was kept like that before."""
        series, time_ms, seq, value, *_, position = row
        name = "crowded-out"
        kept = 0
        for at in range(time_ms + 1, time_ms + _BESIDE_MS + 1):
            packed = self._packed(series, at, seq)
            if packed is None:
                sql = "SELECT value FROM rows WHERE series = ? AND time_ms = ? AND seq = ?"
                packed = self._one(sql, (series, at, seq))
            if packed is None:
                self._run(_INSERT, (series, at, *row[2:]))
                self._newest_ms[series] = max(self._newest_ms[series], at)
                self._run(_ARRIVE_BESIDE, (position, series, at, seq))
                name, kept = "collided", 1
                break
            if _same(packed[0], value):
                return 0
        self._run(
            "INSERT INTO counters (name, count) VALUES (?, 1)"
            " ON CONFLICT (name) DO UPDATE SET count = count + 1",
            (f"{tank}.{name}",),
        )
        return kept

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
        return to_frame(self.columns(tank, quantity, start_ms, end_ms))

    def columns(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Columns:
        """One series as numpy arrays, by time and seq."""
        series = self._find_series(tank, quantity)
        if series is None:
            return from_rows([])
        start = FIRST if start_ms is None else start_ms
        end = LAST if end_ms is None else end_ms
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
        whole = concatenate([codec.decode_days([row[0] for row in blobs]), from_rows(rows)])
        first, last = whole.time_ms.searchsorted([start, end])
        return Columns._make(column[first:last] for column in whole)


def _same(one: float | None, other: float | None) -> bool:
    """Equal values; the database and the chunks have a probe's fault as NULL and as NaN."""
    one = None if one is None or one != one else one
    other = None if other is None or other != other else other
    return one == other
