"""Days that are over: packed into chunks, summed up by hour and day, dropped when they are too old."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal, NamedTuple

from rushlight.collector.readings import Flag
from rushlight.collector.store import codec
from rushlight.collector.store.arrivals import COMPACTED
from rushlight.collector.store.columns import concatenate, from_rows
from rushlight.collector.store.day_sums import summaries_of, until
from rushlight.collector.store.records import Summary
from rushlight.collector.store.rows import ReadingRows
from rushlight.collector.store.series import DAY_MS

__all__ = ["Chunks", "Compaction"]

_HOUR_MS = 3_600_000
_SETTLE_MS = 3 * _HOUR_MS  # a day is packed when it has been over for so long; later arrivals are merged
_PIECE = 10_000  # rows packed in one transaction: a day at one reading in 10 s, and some
_ARRIVALS_PIECE = 50_000  # keys cut off in one
_FREE_PIECE = 1000  # pages given back in one: 4 MB
_INCREMENTAL = 2  # what `PRAGMA auto_vacuum` says of a file that can give room back
_STEPS: dict[str, int] = {"hourly": _HOUR_MS, "daily": DAY_MS}


class Compaction(NamedTuple):
    """What one call of `compact` did.

    Days of series finished, rows packed, days dropped, and whether it stopped at its limit.
    """

    days: int
    readings: int
    dropped: int
    more: bool


class Chunks(ReadingRows):
    """Compaction, retention and summaries."""

    _next_series = 0  # where a call that stopped at its limit goes on
    _freed = False  # rows have left the file since its free room was given back

    def compact(
        self,
        now_ms: int,
        *,
        keep_days: Mapping[str, float] | None = None,
        limit: int | None = None,
        settle_ms: int = _SETTLE_MS,
    ) -> Compaction:
        """Give up the order of arrival that nobody needs, pack the days that are over, drop those too old.

        Each day of each series is one transaction: chunk in, rows out, summaries renewed. Rows after the
        smallest position of all saved states stay rows, so that a restored analysis finds them in order.
        At the end the room that the rows took is given back.

        Parameters
        ----------
        now_ms : int
            UTC, ms.
        keep_days : mapping of quantity to days, optional
            Readings of these quantities go when their day is so many days past; hourly and daily summaries
            stay for ever. A reading that arrives for a dropped day goes at the next call by which that day is
            too old; by others it stays, since a new server may not have it yet. Others stay for ever.
        limit : int, optional
            Stop after so many transactions, each of some ten thousand readings at most, so that the caller
            is not held up; call again while `more`.
        settle_ms : int
            How long a day (UTC) must be over.

        Raises
        ------
        StoreFull, StoreError
            What was packed before stays packed.
        """
        days = readings = dropped = 0
        for what in self._pieces(now_ms, keep_days or {}, settle_ms):
            days += what.days
            readings += what.readings
            dropped += what.dropped
            if limit is not None:
                limit -= 1
                if limit <= 0:
                    return Compaction(days, readings, dropped, True)
        return Compaction(days, readings, dropped, False)

    def _pieces(self, now_ms: int, keep: Mapping[str, float], settle_ms: int) -> Iterator[Compaction]:
        """Everything there is to do, a transaction at a time."""
        if not self._next_series:
            # what arrives meanwhile must not keep it at this: less than a full piece is the last
            while self._give_up_order() == _ARRIVALS_PIECE:
                yield Compaction(0, 0, 0, False)
        end_day = (now_ms - settle_ms) // DAY_MS
        for series, quantity in self._all(
            "SELECT id, quantity FROM series WHERE id >= ? ORDER BY id", (self._next_series,)
        ):
            self._next_series = series
            old = int((now_ms - keep[quantity] * DAY_MS) // DAY_MS) if quantity in keep else None
            for day in self._days_over(series, end_day):
                # came late for a dropped day, and is still wanted
                whole = (old is None or day >= old) and self._dropped(series, day)
                while not whole:
                    packed, whole = self._pack_day(series, day)
                    if packed:
                        self._freed = True
                        yield Compaction(int(whole), packed, 0, False)
            if old is not None:
                gone = self._drop(series, old)
                if gone:
                    self._freed = True
                    yield Compaction(0, 0, gone, False)
        self._next_series = 0
        while self._freed and self._give_back():
            yield Compaction(0, 0, 0, False)

    def _give_back(self) -> int:
        """Cut free pages off the file, a piece of them; how many. None of a file from before it could."""
        free = self._one("PRAGMA freelist_count")[0]
        if not free or self._one("PRAGMA auto_vacuum")[0] != _INCREMENTAL:
            self._freed = False
            return 0
        piece = int(min(free, _FREE_PIECE))
        with self.transaction():
            for _ in range(piece):
                self._run("PRAGMA incremental_vacuum(1)")  # of more at once sqlite3 steps to the first only
        self._freed = free > piece
        return piece

    def _hold(self) -> int:
        """Rows up to this position are needed by nobody in order of arrival."""
        held = self._one("SELECT min(position) FROM states")[0]
        return 2**63 - 1 if held is None else int(held)

    def _give_up_order(self) -> int:
        """Cut off some of the old end of the arrivals; how many positions."""
        first = self._one("SELECT min(position) FROM arrivals")[0]
        if first is None or first > self._hold():
            return 0
        with self.transaction():
            last = min(self._hold(), first + _ARRIVALS_PIECE - 1, self.position())
            self._sort_in()
            self._run("DELETE FROM arrivals WHERE position <= ?", (last,))
            self._run(
                "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE"
                " SET value = max(CAST(value AS INTEGER), CAST(excluded.value AS INTEGER))",
                (COMPACTED, str(last)),
            )
        return int(last) - int(first) + 1

    def _days_over(self, series: int, end_day: int) -> Iterator[int]:
        time_ms = 0  # rows from before 1970 or later than a chunk can be keyed stay rows
        while True:
            row = self._one(
                "SELECT time_ms FROM rows WHERE series = ? AND time_ms >= ? AND time_ms < ?"
                " ORDER BY time_ms LIMIT 1",
                (series, time_ms, end_day * DAY_MS),
            )
            if row is None:
                return
            day = row[0] // DAY_MS
            yield day
            time_ms = (day + 1) * DAY_MS

    def _pack_day(self, series: int, day: int) -> tuple[int, bool]:
        """Merge rows of a day into its chunk, at most a piece; how many rows went, and whether all did."""
        with self.transaction():
            rows = self._all(
                "SELECT time_ms, value, flag, seq, stamp FROM rows WHERE series = ? AND time_ms >= ?"
                " AND time_ms < ? AND position <= ? ORDER BY time_ms, seq LIMIT ?",
                (series, day * DAY_MS, (day + 1) * DAY_MS, self._compacted(), _PIECE + 1),
            )
            whole_day = len(rows) <= _PIECE
            del rows[_PIECE:]
            if not rows:
                return 0, True
            chunk = self._chunk(series, day)
            # The summary of a dropped day is not made from a remainder.
            if chunk is not None or not self._summed_up(series, day):
                new = from_rows(rows)
                whole = new if chunk is None else concatenate([chunk, new])
                self._run(
                    "INSERT INTO chunks (series, day, number, blob) VALUES (?, ?, ?, ?)"
                    " ON CONFLICT (series, day) DO UPDATE SET number = excluded.number, blob = excluded.blob",
                    (series, day, len(whole.time_ms), codec.encode(whole)),
                )
                for table, step in _STEPS.items():
                    self._run_many(
                        f"INSERT OR REPLACE INTO {table} VALUES (?, ?, ?, ?, ?, ?)",
                        [(series, *summary) for summary in summaries_of(whole, step)],
                    )
                self._known_series()
                self._chunks_end[series] = max(self._chunks_end[series], (day + 1) * DAY_MS)
            self._chunk_keys.pop((series, day), None)
            last = rows[-1]
            self._run(
                "DELETE FROM rows WHERE series = ? AND time_ms >= ? AND position <= ?"
                " AND (time_ms, seq) <= (?, ?)",
                (series, day * DAY_MS, self._compacted(), last[0], last[3]),
            )
            return len(rows), whole_day

    def _dropped(self, series: int, day: int) -> bool:
        """Whether a day has been dropped: it has a summary and no chunk."""
        chunk = self._one("SELECT 1 FROM chunks WHERE series = ? AND day = ?", (series, day))
        return chunk is None and self._summed_up(series, day)

    def _drop(self, series: int, before_day: int) -> int:
        where = "WHERE series = ? AND day < ?"
        if self._one(f"SELECT 1 FROM chunks {where} LIMIT 1", (series, before_day)) is None:
            return 0
        with self.transaction():
            self._forget()
            return self._run(f"DELETE FROM chunks {where}", (series, before_day)).rowcount

    def summaries(
        self,
        tank: str,
        quantity: str,
        start_ms: int | None = None,
        end_ms: int | None = None,
        step: Literal["hourly", "daily"] = "hourly",
    ) -> list[Summary]:
        """Minimum, mean and maximum by hour or day (UTC), by time, also of days whose readings are dropped.

        Hours without a reading are left out.
        """
        series = self._find_series(tank, quantity)
        if series is None:
            return []
        start = -(2**63) if start_ms is None else start_ms
        end = 2**63 - 1 if end_ms is None else end_ms
        found: dict[int, Summary] = {}
        with self._snapshot():
            for row in self._all(
                f"SELECT start_ms, number, minimum, mean, maximum FROM {step}"
                " WHERE series = ? AND start_ms >= ? AND start_ms < ?",
                (series, start, end),
            ):
                found[row[0]] = Summary(*row)
            # Days that still have rows are summed up anew.
            time_ms = self._first_row(series, start if start_ms is None else start // DAY_MS * DAY_MS, end)
            while time_ms is not None:
                day = time_ms // DAY_MS
                if self._chunk(series, day) is not None or not self._summed_up(series, day):
                    whole = from_rows(self._span(series, day * DAY_MS, (day + 1) * DAY_MS))
                    found |= {s.start_ms: s for s in summaries_of(whole, _STEPS[step])}
                time_ms = self._first_row(series, (day + 1) * DAY_MS, end)
        return [found[key] for key in sorted(found) if start <= key < end]

    def extremes(
        self, tank: str, quantity: str, start_ms: int, end_ms: int, step_ms: int
    ) -> dict[int, tuple[float, float]]:
        """Lowest and highest good value (there, and not flagged FAIL) by the start of each step (ms UTC).

        For drawings: computed where the readings lie, several times faster than going through them. Steps
        without a good value are left out. `step_ms` must divide a day, `start_ms` be a multiple of it.
        """
        series = self._find_series(tank, quantity)
        if series is None:
            return {}
        with self._snapshot():
            found: dict[int, tuple[float, float]] = {
                row[0] * step_ms: (row[1], row[2])
                for row in self._all(
                    "SELECT time_ms / ?, min(value), max(value) FROM readings WHERE series = ?"
                    " AND time_ms >= ? AND time_ms < ? AND abs(value) < ? AND flag < ? GROUP BY 1",
                    (step_ms, series, start_ms, end_ms, float("inf"), int(Flag.FAIL)),
                )
            }
            for day in range(start_ms // DAY_MS, (end_ms - 1) // DAY_MS + 1):
                chunk = self._chunk(series, day)
                chunk = None if chunk is None else until(chunk, end_ms)
                if chunk is None or not len(chunk.time_ms):
                    continue
                for part in summaries_of(chunk, step_ms):
                    if part.start_ms >= start_ms and part.minimum is not None and part.maximum is not None:
                        low, high = found.get(part.start_ms, (part.minimum, part.maximum))
                        found[part.start_ms] = (min(low, part.minimum), max(high, part.maximum))
        return found

    def _first_row(self, series: int, start_ms: int, end_ms: int) -> int | None:
        row = self._one(
            "SELECT time_ms FROM readings WHERE series = ? AND time_ms >= ? AND time_ms < ?"
            " ORDER BY time_ms LIMIT 1",
            (series, start_ms, end_ms),
        )
        return None if row is None else int(row[0])

    def _summed_up(self, series: int, day: int) -> bool:
        sql = "SELECT 1 FROM daily WHERE series = ? AND start_ms = ?"
        return self._one(sql, (series, day * DAY_MS)) is not None
