"""The newest reading of each series, in rows or in chunks."""

from __future__ import annotations

from typing import Any

from rushlight.collector.readings import Reading
from rushlight.collector.store.columns import Columns, to_rows
from rushlight.collector.store.series import DAY_MS, SeriesRows

__all__ = ["NewestRows"]


class NewestRows(SeriesRows):
    """The part of the readings' store that looks up what is last."""

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
            last = to_rows(Columns._make(column[-1:] for column in chunk))[0]
            if row is None or (last[0], last[3]) > (row[0], row[3]):
                return last
        return row

    def _newest_until(self, series: int, until_ms: int) -> tuple[Any, ...] | None:
        days = [
            self._one(f"SELECT max({what}) FROM {table} WHERE series = ? AND {what} <= ?", (series, last))[0]
            for table, what, last in (
                ("readings", "time_ms", until_ms),
                ("chunks", "day", until_ms // DAY_MS),
            )
        ]
        newest = {None if days[0] is None else days[0] // DAY_MS, days[1]} - {None}
        for day in sorted(newest, reverse=True):
            rows = self._span(series, day * DAY_MS, min((day + 1) * DAY_MS, until_ms + 1))
            if rows:
                return rows[-1]
        return None
