"""The newest reading of each series: unsorted, in rows, or in chunks."""

from __future__ import annotations

from typing import Any

from rushlight.collector.readings import Reading
from rushlight.collector.store.columns import Columns, to_rows
from rushlight.collector.store.series import DAY_MS, SeriesRows

__all__ = ["SORTED", "NewestRows"]

SORTED = "sorted-position"  # meta: up to this position all is in `rows`

_Row = tuple[Any, ...]  # time, value, flag, seq, stamp


class NewestRows(SeriesRows):
    """The part of the readings' store that looks up what is last."""

    # the newest unsorted row of each series, as it was when these were the last and the last sorted position
    _unsorted_rows: dict[int, _Row]
    _unsorted_at: tuple[int, int]

    def _forget(self) -> None:
        super()._forget()
        self._unsorted_rows, self._unsorted_at = {}, (0, 0)

    def position(self) -> int:
        """Position of the reading that arrived last; 0 in an empty store."""
        row = self._one("SELECT seq FROM sqlite_sequence WHERE name = 'arrivals'")
        return 0 if row is None else int(row[0])

    def _sorted_position(self) -> int:
        row = self._one("SELECT value FROM meta WHERE key = ?", (SORTED,))
        return 0 if row is None else int(row[0])

    def _unsorted(self) -> dict[int, _Row]:
        at = self.position(), self._sorted_position()
        if at != self._unsorted_at:
            rows = self._all(
                "SELECT series, time_ms, value, flag, seq, stamp FROM arrivals"
                " WHERE position > ? AND flag IS NOT NULL ORDER BY position",
                (at[1],),
            )
            self._unsorted_rows = {series: tuple(row) for series, *row in rows}  # each newer than the last
            self._unsorted_at = at
        return self._unsorted_rows

    def latest(self, tank: str, until_ms: int | None = None) -> dict[str, Reading]:
        """The newest reading (by its time) of each quantity of a tank.

        With `until_ms` those of a clock that was ahead are passed over where there are others.
        """
        found = {}
        with self._snapshot():
            for series, quantity in self._all("SELECT id, quantity FROM series WHERE tank = ?", (tank,)):
                row = self._newest(series)
                if row is not None and until_ms is not None and row[0] > until_ms:
                    row = self._newest_until(series, until_ms) or row
                if row is not None:
                    found[quantity] = Reading(tank, quantity, *row)
        return found

    def _newest(self, series: int) -> _Row | None:
        row: _Row | None = self._unsorted().get(series)
        if row is not None:
            return row
        row = self._one(
            "SELECT time_ms, value, flag, seq, stamp FROM rows WHERE series = ?"
            " ORDER BY time_ms DESC, seq DESC LIMIT 1",
            (series,),
        )
        day = self._one("SELECT max(day) FROM chunks WHERE series = ?", (series,))[0]
        if day is not None and (row is None or row[0] < (day + 1) * DAY_MS):
            chunk = self._chunk(series, day)
            assert chunk is not None
            last = to_rows(Columns._make(column[-1:] for column in chunk))[0]
            if row is None or (last[0], last[3]) > (row[0], row[3]):
                return last
        return row

    def _newest_until(self, series: int, until_ms: int) -> _Row | None:
        sql = "SELECT time_ms FROM readings WHERE series = ? AND time_ms <= ? ORDER BY time_ms DESC LIMIT 1"
        row = self._one(sql, (series, until_ms))
        sql = "SELECT max(day) FROM chunks WHERE series = ? AND day <= ?"
        newest = {self._one(sql, (series, until_ms // DAY_MS))[0], None if row is None else row[0] // DAY_MS}
        for day in sorted(newest - {None}, reverse=True):
            rows = self._span(series, day * DAY_MS, min((day + 1) * DAY_MS, until_ms + 1))
            if rows:
                return rows[-1]
        return None
