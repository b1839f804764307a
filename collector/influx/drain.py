"""Copies readings from the local file to an InfluxDB server, in order of arrival, none lost, none doubled.

The service writes to the local file only, and acknowledges after that; this runs behind it. What the server
has said it has is remembered in the local file as a saved state, whose position also keeps later readings
there in order of arrival. A batch is written again after any doubt: a point with the same key takes its own
place (`rushlight.collector.influx.points`).

When the server is away
-----------------------
The batch stays, and is tried again after 5 s, 10 s, … 60 s, or when the server says. A slow server is asked
for less at a time. A batch that the server refuses is halved until the readings at fault are found; they are
set aside with the server's reason and the rest goes on. They also stay in the local file, and are tried
again at the next start of the service, when somebody may have fixed the bucket.

How long "taken" is doubted
---------------------------
InfluxDB 1.x and, by its documentation, 2.x (not run here) sync their log before they answer 204, unless
wal-fsync-delay (storage-wal-fsync-delay in 2.x) is set; other servers that speak the same protocol sync some
seconds later and lose those at a kill (seen with VictoriaMetrics 1.79), as may a disk that doesn't do what
fsync asks for. So what was taken in the five minutes before is written again at each start, and, once in a
quarter of an hour at most, after failed writes and when the connection had to be made anew, which may mean
that the server has been down. Five minutes are cheap (some hundred readings a tank) and far longer than any
such delay; the quarter of an hour is there so that a backlog gets shorter also with a server that fails again
and again.

A new server
------------
A bucket that is not known yet gets first all that the local file has: by hours, within them by tank and
quantity.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from itertools import islice

from rushlight.collector.errors import ServerAway, StoreError
from rushlight.collector.influx.batches import BatchWriter, Refusal, Refusals, Writer
from rushlight.collector.influx.state import (
    DrainState,
    Mark,
    forget_other_servers,
    load_drain_state,
    save_drain_state,
)
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.readings import Reading
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["Drain", "Writer"]

_log = logging.getLogger("rushlight.influxdb")

_RETRY_MS = (5_000, 60_000)
_DOUBT_MS = 300_000
_MARK_MS = 60_000
_AGAIN_MS = 900_000
_MARKS = 20  # more than this only where the clock was put back
_ALL = 2**62
_COPY_MS = 3 * 3_600_000  # copied before it is remembered


class Drain:
    """One server's copy; call `run_once` again and again, from one thread.

    Parameters
    ----------
    settings : StoreSettings
        Whose kind is "influxdb".
    writer : Writer
    clock : callable
        Only for the log's rate limit.
    """

    def __init__(self, settings: StoreSettings, writer: Writer, clock: Clock) -> None:
        self._settings = settings
        self._writer = BatchWriter(writer)
        self._say = ClearLog(_log, clock)
        self._state: DrainState | None = None
        self._next = 0  # position behind which the next batch begins: at most the state's cursor
        self._connections = 0
        self._doubt: Mark | None = None  # to go back to, when it is time
        self._rewound_ms = 0
        self._refusals = Refusals(settings, self._say)

    def run_once(self, store: EmbeddedStore, now_ms: int) -> bool:
        """Write one batch, if there is one and it is time.

        Returns
        -------
        bool
            True where there is more to write at once.

        Raises
        ------
        StoreError
            The local file can't be read or written. A server that is away is no error: it is logged and
            waited for.
        """
        state = self._state
        if state is None:
            state = self._start(store, now_ms)
        # a clock that was put back must not stop this for as long
        if state.attempts and 0 < state.next_ms - now_ms <= max(_RETRY_MS[1], state.wait_ms):
            return False
        if self._doubt is not None and not 0 <= now_ms - self._rewound_ms < _AGAIN_MS:
            self._rewind(state, self._doubt, now_ms)
        try:
            if state.copy_ms is not None:
                return self._copy(store, state, state.copy_ms, now_ms)
            return self._follow(store, state, now_ms)
        except ServerAway as error:
            self._away(store, state, error, now_ms)
            return False

    # -- what is next -----------------------------------------------------------------------------------

    def _start(self, store: EmbeddedStore, now_ms: int) -> DrainState:
        forget_other_servers(store, self._settings)
        state = load_drain_state(store, self._settings)
        if state is None:
            state = self._anew(store, now_ms)
        elif state.refused_from_ms is not None:
            # somebody may have fixed the bucket
            copy_ms = min(
                state.refused_from_ms, state.refused_from_ms if state.copy_ms is None else state.copy_ms
            )
            state.marks = [mark._replace(copy_ms=copy_ms) for mark in state.marks]
            state.refused, state.refused_from_ms, state.copied_ms = 0, None, _ALL
        self._state = state
        self._rewind(state, state.marks[0], now_ms)
        return state

    def _anew(self, store: EmbeddedStore, now_ms: int) -> DrainState:
        """Everything is to be copied: what is there by time, what arrives from now on by arrival."""
        position = store.position()
        first = _first_ms(store, None)
        state = DrainState(cursor=position, copy_ms=first, marks=[Mark(now_ms, position, first)])
        save_drain_state(store, self._settings, state)
        if first is not None:
            _log.info("InfluxDB at %s: copying what is in %s", self._settings.url, store.path)
        return state

    def _rewind(self, state: DrainState, mark: Mark, now_ms: int) -> None:
        """Back to what is beyond doubt."""
        self._next, state.copy_ms = mark.position, mark.copy_ms
        self._doubt, self._rewound_ms = None, now_ms

    def _copy(self, store: EmbeddedStore, state: DrainState, start_ms: int, now_ms: int) -> bool:
        """What is in the local file by time, some hours of it."""
        first = _first_ms(store, start_ms)
        refusals: list[Refusal] = []
        if first is None:
            state.copy_ms = None
        else:
            end = (first // _COPY_MS + 1) * _COPY_MS
            readings = _of_span(store, first, end)
            while batch := list(islice(readings, self._writer.most)):
                refusals += self._writer.write(batch)
                state.written += len(batch)
            state.copy_ms = end
        known = state.copied_ms is not None and first is not None and first < state.copied_ms
        self._taken(store, state, refusals, known, now_ms)
        return True

    def _follow(self, store: EmbeddedStore, state: DrainState, now_ms: int) -> bool:
        """What has arrived since, in order of arrival."""
        try:
            batch = list(islice(store.arrivals_after(self._next), self._writer.most))
        except StoreError as error:
            # the state was away from this file for a time, as where a backup was put back
            _log.warning("%s; all of it is written to InfluxDB again", error)
            self._state = state = self._anew(store, now_ms)
            self._rewind(state, state.marks[0], now_ms)
            return True
        if not batch:
            return False
        full = len(batch) == self._writer.most
        known = [pair for pair in batch if pair[0] <= state.cursor]
        if known:  # written again: apart from those that are new, so that refused ones are logged once
            full, batch = full or len(known) < len(batch), known
        refusals = self._writer.write([reading for _, reading in batch])
        self._next = batch[-1][0]
        state.written += len(batch)
        state.cursor = max(state.cursor, self._next)
        self._taken(store, state, refusals, bool(known), now_ms)
        return full

    # -- writing ----------------------------------------------------------------------------------------

    def _taken(
        self, store: EmbeddedStore, state: DrainState, refusals: list[Refusal], known: bool, now_ms: int
    ) -> None:
        """The server has answered: remember how far it is."""
        state.attempts, state.error, state.last_ms = 0, "", now_ms
        if state.copy_ms is not None:
            state.copied_ms = (
                state.copy_ms if state.copied_ms is None else max(state.copied_ms, state.copy_ms)
            )
        self._writer.taken()
        if not 0 <= now_ms - state.marks[-1].time_ms < _MARK_MS:
            state.marks.append(Mark(now_ms, self._next, state.copy_ms))
        if self._doubt is None:
            while len(state.marks) > 1 and now_ms - state.marks[1].time_ms >= _DOUBT_MS:
                del state.marks[0]
        if len(state.marks) > _MARKS:
            del state.marks[1]
        with store.transaction():
            self._refusals.note(store, state, refusals, known, now_ms)
            save_drain_state(store, self._settings, state)
        connections = self._writer.connections
        if self._connections not in (0, connections) and self._doubt is None:
            self._doubt = state.marks[0]
        self._connections = connections
        self._say.over("away", f"InfluxDB at {self._settings.url} takes readings again")

    def _away(self, store: EmbeddedStore, state: DrainState, error: ServerAway, now_ms: int) -> None:
        if error.slow:
            self._writer.slower()
        if not state.attempts:
            state.away_since_ms = now_ms
        wait_ms = min(_RETRY_MS[0] << min(state.attempts, 10), _RETRY_MS[1])
        if error.wait_s is not None:
            wait_ms = max(wait_ms, int(error.wait_s * 1000))
        state.attempts += 1
        state.wait_ms, state.next_ms, state.error = wait_ms, now_ms + wait_ms, str(error)
        self._connections = 0
        if self._doubt is None:
            self._doubt = state.marks[0]
        save_drain_state(store, self._settings, state)
        waiting = max(0, store.position() - state.cursor)
        older = " and older ones" if state.copy_ms is not None else ""
        self._say.say("away", f"{error}; {waiting} new readings{older} wait in {store.path}, none is lost")


def _first_ms(store: EmbeddedStore, start_ms: int | None) -> int | None:
    """Time of the first reading from `start_ms` on."""
    series = [(tank, quantity) for tank in store.tanks() for quantity in store.quantities(tank)]
    firsts = (next(store.readings(*of, start_ms), None) for of in series)
    return min((reading.time_ms for reading in firsts if reading is not None), default=None)


def _of_span(store: EmbeddedStore, start_ms: int, end_ms: int) -> Iterator[Reading]:
    for tank in store.tanks():
        for quantity in store.quantities(tank):
            yield from store.readings(tank, quantity, start_ms, end_ms)
