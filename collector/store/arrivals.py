"""Readings in their order of arrival: how they come in, and for whoever asks for them in that order.

What has just come in lies at the end of the table `arrivals`, one piece of the file for a commit. A little
later it is sorted in among the rows by series and time, many commits at once: with hundreds of series each
row of a commit would otherwise be on a page of its own, to be read, written to the log and written again.
The view `readings` shows sorted and unsorted rows as one; "sorted-position" (meta) is where the unsorted
begin. Each of these is the newest of its series when it comes, so none has the key of another reading.

The order of arrival itself is kept for the newest readings only: old lines are cut off once no saved state
needs them.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any

from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.store.newest import SORTED, NewestRows
from rushlight.collector.store.series import DAY_MS

__all__ = ["COMPACTED", "ArrivalRows"]

_log = logging.getLogger("rushlight.store")

COMPACTED = "compacted-position"  # meta: up to this position the order of arrival is given up
_PAGE = 2000  # rows fetched at a time, so that no cursor stays open between yields
# So many commits of the present size may lie unsorted, and so many readings: whoever reads a series goes
# through them, at most some ten milliseconds. Common practice, no source.
_COMMITS = 20
_MOST = 50_000
_FIELDS = 7
_TOGETHER = 100  # rows in one statement: for each AUTOINCREMENT looks up and writes its counter
_ROW = "(" + ", ".join("?" * _FIELDS) + ")"
_ARRIVE = f"INSERT INTO arrivals (position, series, time_ms, seq, value, flag, stamp) VALUES {_ROW}"
_ARRIVE_MANY = _ARRIVE + f", {_ROW}" * (_TOGETHER - 1)
_UNSORTED = "FROM arrivals WHERE position > ? AND flag IS NOT NULL"
_SORT_IN = (  # no key is taken; if one were, the store must not stand still for ever
    "INSERT OR IGNORE INTO rows (series, time_ms, seq, value, flag, stamp, position)"
    f" SELECT series, time_ms, seq, value, flag, stamp, position {_UNSORTED}"
    " ORDER BY series, time_ms, seq"
)


class ArrivalRows(NewestRows):
    """The part of the readings' store that knows in which order they came."""

    def _arrive(self, fields: list[Any]) -> None:
        """Keep readings that are each the newest of their series, unsorted; in a transaction only.

        `fields` are position, series, time, number, value, flag and stamp of one after the other, as a
        statement takes them.
        """
        step = _FIELDS * _TOGETHER
        whole = len(fields) // step * step
        for at in range(0, whole, step):
            self._run(_ARRIVE_MANY, tuple(fields[at : at + step]))
        rest = fields[whole:]
        self._run_many(_ARRIVE, (tuple(rest[at : at + _FIELDS]) for at in range(0, len(rest), _FIELDS)))
        unsorted = fields[-_FIELDS] - self._sorted_position()
        if unsorted >= min(_COMMITS * len(fields) // _FIELDS, _MOST):
            self._sort_in()

    def _known_series(self) -> dict[tuple[str, str], int]:
        """As the rows have it, and what lies unsorted."""
        if not self._series_ids:
            super()._known_series()
            for series, row in self._unsorted().items():
                self._newest_ms[series] = max(self._newest_ms[series], row[0])
        return self._series_ids

    def _sort_in(self) -> None:
        """From here on all that has come is in `rows`; in a transaction only."""
        before, now = self._sorted_position(), self.position()
        if before < now:
            there = self._one(f"SELECT count(*) {_UNSORTED}", (before,))[0]
            lost = there - self._run(_SORT_IN, (before,)).rowcount
            if lost:
                words = "%s: new readings can't be sorted in, others have their keys: %d; report this"
                _log.error(words, self.path, lost)
            self._run("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (SORTED, str(now)))

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
                # A line that came in unsorted is whole, the others say where their row is.
                rows = self._all(
                    "SELECT a.position, a.series, a.time_ms,"
                    " CASE WHEN a.flag IS NULL THEN r.value ELSE a.value END,"
                    " coalesce(a.flag, r.flag), a.seq, coalesce(a.stamp, r.stamp)"
                    " FROM arrivals AS a LEFT JOIN rows AS r ON a.flag IS NULL AND r.series = a.series"
                    " AND r.time_ms = a.time_ms AND r.seq = a.seq AND r.position = a.position"
                    f" WHERE a.position > ? AND (a.flag IS NOT NULL OR r.position IS NOT NULL){some}"
                    " ORDER BY a.position LIMIT ?",
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
