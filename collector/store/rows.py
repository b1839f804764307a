"""Readings: in by batches, out by arrival or by time.

The newest readings are rows, by series and time. Days that are over become chunks, one a series and day
(`rushlight.collector.store.chunks` makes them, `rushlight.collector.store.codec` packs them); a reading that
comes late for such a day is a row again until it is merged. Whoever reads sees rows and chunks as one.

The order of arrival is a table of its own, with the newest keys only: old ones are cut off once no saved
state needs them. Rows in order of arrival instead, as in schema 2, lie on as many pages as there are rows
once there are hundreds of series: packing a day then read and wrote one page a reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.store import codec
from rushlight.collector.store.columns import Columns, concatenate, from_rows, to_frame
from rushlight.collector.store.newest import NewestRows
from rushlight.collector.store.series import DAY_MS, FIRST, LAST

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COMPACTED", "ReadingRows"]

COMPACTED = "compacted-position"  # meta: up to this position the order of arrival is given up
_PAGE = 2000  # rows fetched at a time, so that no cursor stays open between yields
_INSERT = (
    "INSERT INTO readings (series, time_ms, seq, value, flag, stamp, position) VALUES (?, ?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (series, time_ms, seq) DO NOTHING"
)
_BESIDE_MS = 1000  # at most so far away is kept what has the key of another reading
_ARRIVE = "INSERT INTO arrivals (position, series, time_ms, seq) VALUES (?, ?, ?, ?)"
_ARRIVALS = 100  # in one statement: for each AUTOINCREMENT looks up and writes its counter
_ARRIVE_MANY = _ARRIVE + ", (?, ?, ?, ?)" * (_ARRIVALS - 1)
_ARRIVE_BESIDE = _ARRIVE.replace("INSERT", "INSERT OR REPLACE")  # its line with the key that was taken


class ReadingRows(NewestRows):
    """The readings' part of the embedded store; see `rushlight.collector.store.records.ReadingStore`."""

    def add_readings(self, readings: Sequence[Reading]) -> int:
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
        if not readings:
            return 0
        with self.transaction():
            position = self.position()
            ids, ends = self._known_series()
            unpacked = max(ends.values(), default=FIRST)  # from here on no series has a chunk
            rows: list[tuple[Any, ...]] = []
            arrivals: list[int] = []  # all in one row, as a statement takes them
            clashes: list[tuple[str, tuple[Any, ...]]] = []
            for r in readings:
                series = ids.get((r.tank, r.quantity))
                if series is None:
                    series = self._new_series(r.tank, r.quantity)
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
                arrivals += (position, series, time_ms, seq)
            new = self._run_many(_INSERT, rows)
            # A repeat gets a line here, too; its position is not that of the row, so nobody sees it.
            self._arrived(arrivals if new else [])
            if new < len(rows):
                tanks = {series: tank for (tank, _), series in ids.items()}
                clashes += [(tanks[row[0]], row) for row in rows if self._taken(row)]
            return new + sum(self._keep_beside(tank, row) for tank, row in clashes)

    def _arrived(self, flat: list[int]) -> None:
        """Lines of the order of arrival: position, series, time and number of each, one after the other."""
        step = 4 * _ARRIVALS
        whole = len(flat) // step * step
        for at in range(0, whole, step):
            self._run(_ARRIVE_MANY, tuple(flat[at : at + step]))
        rest = flat[whole:]
        self._run_many(_ARRIVE, zip(rest[::4], rest[1::4], rest[2::4], rest[3::4], strict=True))

    def _taken(self, row: tuple[Any, ...]) -> bool:
        """Whether a row's key holds another value, of another arrival."""
        series, time_ms, seq, value, *_, position = row
        sql = "SELECT position, value FROM readings WHERE series = ? AND time_ms = ? AND seq = ?"
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
                sql = "SELECT value FROM readings WHERE series = ? AND time_ms = ? AND seq = ?"
                packed = self._one(sql, (series, at, seq))
            if packed is None:
                self._run(_INSERT, (series, at, *row[2:]))
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

    def position(self) -> int:
        """Position of the reading that arrived last; 0 in an empty store."""
        row = self._one("SELECT seq FROM sqlite_sequence WHERE name = 'arrivals'")
        return 0 if row is None else int(row[0])

    def arrivals_after(self, position: int, tank: str | None = None) -> Iterator[tuple[int, Reading]]:
        """Readings that arrived after `position`, in order of arrival, each with its own position.

        Of readings that no saved state needs (see `Keepsakes.save_state`) the order of arrival is given up:
        asked from 0, they come first, by time, with position 0. Whoever starts from a saved state always has
        the true order.

        Raises
        ------
        StoreError
            The order after `position` is given up already; start from 0 instead.
        """
        given_up = self._compacted()
        if position == 0 < given_up:
            yield from ((0, reading) for reading in self._by_time(tank, given_up))
            position = given_up
        while True:
            with self._snapshot():
                if position < self._compacted():
                    raise StoreError(
                        f"{self.path}: readings after position {position} are packed and their order of "
                        "arrival is gone; start again from position 0"
                    )
                names = {row[0]: row[1:] for row in self._series_of(tank)}
                some = "" if tank is None else f" AND a.series IN ({','.join(map(str, names))})"
                # CROSS JOIN: SQLite goes through the left table first
                rows = self._all(
                    "SELECT a.position, r.series, r.time_ms, value, flag, r.seq, stamp"
                    " FROM arrivals AS a CROSS JOIN readings AS r ON r.series = a.series"
                    " AND r.time_ms = a.time_ms AND r.seq = a.seq AND r.position = a.position"
                    f" WHERE a.position > ?{some} ORDER BY a.position LIMIT ?",
                    (position, _PAGE),
                )
            if not rows:
                return
            for position, series, *rest in rows:
                yield position, Reading(*names[series], *rest)

    def _compacted(self) -> int:
        row = self._one("SELECT value FROM meta WHERE key = ?", (COMPACTED,))
        return 0 if row is None else int(row[0])

    def _by_time(self, tank: str | None, until: int) -> Iterator[Reading]:
        """All readings up to a position, by time; a day of all the series is held in memory."""
        start: int | None = None
        while True:
            found = []
            with self._snapshot():
                series = self._series_of(tank)
                firsts = [self._first_time(number, start) for number, _, _ in series]
                first = min((time_ms for time_ms in firsts if time_ms is not None), default=None)
                if first is None:
                    return
                start = (first // DAY_MS + 1) * DAY_MS
                for number, of, quantity in series:
                    found += [Reading(of, quantity, *row) for row in self._span(number, first, start, until)]
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
