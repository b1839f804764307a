"""The running collector: links -> wire -> timing -> quality -> store -> whoever listens.

A batch is made once, in memory, and written in one transaction together with what the listener makes of it;
only then are its deliveries acknowledged. Where the write fails, the same batch waits and is written again:
nothing is acknowledged, nothing is judged twice, nothing more is taken from the links.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import threading
import time
from collections.abc import Sequence
from functools import partial
from typing import Protocol

import msgspec

from collector.batch import Arrival, Batch, BatchMaker
from collector.ending import Ending
from collector.errors import StoreError, StoreFull
from collector.links import Delivery, Link
from collector.log import ClearLog, Clock
from collector.readings import Reading
from collector.sd_notify import sd_notify, watchdog_s
from collector.settings import Settings
from collector.store.drain_state import days_to_keep
from collector.store.embedded import EmbeddedStore
from collector.store.rows import DAY_MS
from collector.store.settled import settled_ms

__all__ = ["LINKS_META", "CollectorService", "LinkReport", "Listener", "system_clock"]

_log = logging.getLogger("rushlight.collector")

LINKS_META = "links"
"""Name under which the store keeps the links' counters, as JSON: a list of `LinkReport`."""

_BATCH = 1000  # deliveries in one commit; the MQTT link lets as many be unacknowledged
_BATCH_S = 0.25  # and the longest that the first of them waits
_LULL_S = 0.03  # nothing more has come for so long: don't keep a broker that limits what is in flight waiting
_QUEUE = 20_000  # deliveries that wait while the store can't be written; then the links wait too
_RETRY_S = (0.5, 30.0)
_TICK_MS = 5_000
_POLL_MS = 1_000
_REPORT_MS = 30_000
_COMPACT_MS = 600_000
_COMPACT_SHARE = 0.1  # of the time, while readings come in; one helping is some 20 ms
_WELL_MS = 300_000
_LINK_S = 0.5  # for a link to end, also where the store has used up all the time


def system_clock() -> int:
    """The clock of a running service: ms since 1970, UTC."""
    return time.time_ns() // 1_000_000


class LinkReport(msgspec.Struct):
    """How a link does, for `status`: its counters, and when it last delivered (ms, 0: not yet)."""

    name: str
    counters: dict[str, int]
    last_ms: int = 0


class Listener(Protocol):
    """Who makes something of the readings.

    `take`, `tick`, `device` and `poll` change memory only. `keep` writes what came of them, inside the
    transaction of the readings; it may be called again for the same, until `kept` says that it is on disk.
    """

    def take(self, readings: Sequence[Reading], now_ms: int) -> None:
        """A batch of flagged readings in order of arrival; each is given exactly once."""

    def device(self, tank: str, online: bool, now_ms: int) -> None:
        """A device has said that it is there, or its last will that it is not."""

    def tick(self, now_ms: int) -> None:
        """Time passes, about every five seconds."""

    def poll(self, store: EmbeddedStore, now_ms: int) -> None:
        """Look for what people ask for, about every second."""

    def wants(self, now_ms: int) -> bool:
        """Whether there is something to keep although no reading has come."""

    def keep(self, store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        """Write, inside the open transaction."""

    def kept(self, now_ms: int) -> None:
        """What `keep` wrote is committed."""


class CollectorService:
    """Collects until it is stopped.

    Parameters
    ----------
    settings : Settings
    store : EmbeddedStore
        Open for writing; stays open.
    links : sequence of Link
        In the order of `settings.links`, not started.
    listener : Listener
    clock : callable
        Milliseconds since 1970, UTC.
    most : int
        Deliveries in one commit.
    ending : Ending, optional
        The deadline that the links share with others.
    """

    def __init__(
        self,
        settings: Settings,
        store: EmbeddedStore,
        links: Sequence[Link],
        listener: Listener,
        clock: Clock = system_clock,
        most: int = _BATCH,
        ending: Ending | None = None,
    ) -> None:
        self._store = store
        self._links = list(links)
        self._listener = listener
        self._clock = clock
        self._most = most
        self._say = ClearLog(_log, clock)
        self._maker = BatchMaker(settings, self._say)
        self._queue: queue.SimpleQueue[Arrival] = queue.SimpleQueue()  # much faster than Queue
        self._stop = threading.Event()
        self._ending = ending or Ending()
        self._last_ms = [0] * len(self._links)
        self._tick_ms = self._poll_ms = self._report_ms = 0
        self._reading_ms = 0
        self._failing = False
        self._given_up = False
        self._store_settings = settings.store
        self._compacted_ms = 0  # when there was last nothing left to pack
        self._rested = 0.0  # when packing may go on beside readings that come in
        self._watchdog_s = watchdog_s()
        self._barked = 0.0

    def stop(self) -> None:
        """Ask for the end; safe from a signal handler or another thread."""
        self._ending.ask()
        self._stop.set()

    def is_well(self) -> bool:
        """Readings are arriving and the store keeps them; for the heartbeat."""
        return not self._failing and 0 <= self._clock() - self._reading_ms < _WELL_MS

    def run(self) -> bool:
        """Collect until `stop`; False where the last batch could not be kept."""
        self._maker.restore(self._store)
        for number, link in enumerate(self._links):
            link.start(partial(self._deliver, number))
        sd_notify("READY=1")
        try:
            while not self._stop.is_set():
                self._round()
        finally:
            sd_notify("STOPPING=1")
            whole = self._finish()
        return whole

    def _deliver(self, number: int, delivery: Delivery) -> None:
        """On a link's thread. A full queue holds the link up, which is what a full store should do."""
        while self._queue.qsize() >= _QUEUE:
            if self._stop.wait(0.05):
                return  # not acknowledged
        self._queue.put(Arrival(number, delivery))

    def _round(self) -> None:
        arrivals = self._collect()
        now = self._clock()
        batch = self._batch(arrivals) if arrivals else None
        # a clock that was put back must not stop these for as long
        if not 0 <= now - self._tick_ms < _TICK_MS:
            self._tick_ms = now
            self._listener.tick(now)
        if not 0 <= now - self._poll_ms < _POLL_MS:
            self._poll_ms = now
            self._poll(now)
        if batch is not None or self._listener.wants(now):
            self._commit(batch, now)
        if not 0 <= now - self._report_ms < _REPORT_MS:
            self._report_ms = now
            self._report()
        if not 0 <= now - self._compacted_ms < _COMPACT_MS:
            self._compact(now, busy=bool(arrivals))
        self._bark()

    def _collect(self) -> list[Arrival]:
        """Up to a batch of deliveries; empty where nothing came for a quarter of a second."""
        try:
            arrivals = [self._queue.get(timeout=_BATCH_S)]
        except queue.Empty:
            return []
        end = time.monotonic() + _BATCH_S
        while True:
            with contextlib.suppress(queue.Empty):
                while len(arrivals) < self._most:
                    arrivals.append(self._queue.get_nowait())
            left = end - time.monotonic()
            if len(arrivals) >= self._most or left <= 0:
                return arrivals
            try:
                arrivals.append(self._queue.get(timeout=min(left, _LULL_S)))
            except queue.Empty:
                return arrivals

    def _batch(self, arrivals: Sequence[Arrival]) -> Batch:
        batch = self._maker.make(arrivals)
        for arrival in arrivals:
            self._last_ms[arrival.link] = arrival.delivery.arrived_ms
        now = self._clock()
        if batch.readings:
            self._reading_ms = now
            self._listener.take(batch.readings, now)
        for device in batch.devices:
            self._listener.device(*device)
        return batch

    def _commit(self, batch: Batch | None, now: int, closing: bool = False) -> bool:
        """Write until it is written; once only where the end was asked for, and False where that fails."""
        pause = _RETRY_S[0]
        heard = True
        while True:
            try:
                with self._store.transaction():
                    if batch is not None:
                        batch.write(self._store)
                    if heard:
                        self._listener.keep(self._store, now, closing)
                break
            except StoreError as error:
                self._failing = True
                waiting = self._queue.qsize() + (len(batch.arrivals) if batch is not None else 0)
                self._say.say(
                    "store",
                    f"{error}; {waiting} reports wait, none is acknowledged; trying again",
                    logging.ERROR if isinstance(error, StoreFull) else logging.WARNING,
                )
            except Exception as error:
                if not heard:
                    raise
                # The readings are kept all the same. What the listener has to say stays with it for the next
                # commit; after a restart it makes it again from the readings.
                heard = False
                if self._say.say("listener", f"what was made of the readings can't be kept: {error!r}"):
                    _log.exception("where it failed")
                continue
            if closing:
                self._given_up = batch is not None
                return False
            closing = self._stop.wait(pause)  # then one last time
            self._bark()
            pause = min(pause * 2, _RETRY_S[1])
        self._failing = not heard
        self._say.over("store", "the store can be written again; all that waited is kept")
        if heard:
            self._listener.kept(now)
        if batch is not None:
            self._acknowledge(batch)
        return True

    def _acknowledge(self, batch: Batch) -> None:
        by_link: dict[int, list[Delivery]] = {}
        for arrival in batch.arrivals:
            by_link.setdefault(arrival.link, []).append(arrival.delivery)
        for number, deliveries in by_link.items():
            try:
                self._links[number].acknowledge(deliveries)
            except Exception:
                # kept already: what is not acknowledged comes again and is found to be a repeat
                _log.exception("%s: can't acknowledge", self._links[number].name)

    def _poll(self, now: int) -> None:
        try:
            self._listener.poll(self._store, now)
        except StoreError as error:
            self._say.say("poll", f"{error}; trying again")

    def _report(self) -> None:
        reports = [
            LinkReport(link.name, dict(link.counters), last)
            for link, last in zip(self._links, self._last_ms, strict=True)
        ]
        try:
            self._store.set_meta(LINKS_META, msgspec.json.encode(reports).decode())
        except StoreError as error:
            self._say.say("report", f"{error}; trying again")

    def _compact(self, now: int, busy: bool) -> None:
        """Pack old days and drop those too old, in helpings of one short transaction.

        While readings come in, a tenth of the time at most; otherwise until some do.
        """
        end = time.monotonic() + _BATCH_S
        while not self._stop.is_set():
            began = time.monotonic()
            if began < self._rested if busy else began >= end or not self._queue.empty():
                return
            try:
                settled = settled_ms(self._store, now)
                lag = (now - settled) / DAY_MS  # packing goes by the clock, dropping doesn't
                keep = days_to_keep(self._store, self._store_settings, settled)
                keep = {quantity: days + lag for quantity, days in keep.items()}
                more = self._store.compact(now, keep_days=keep, limit=1).more
                if not more:
                    self._store.drop_old_notices(settled - 90 * 86_400_000)
                    self._store.set_meta("compacted-at", str(now))
            except StoreError as error:
                more = False
                self._say.say("compact", f"{error}; packing old days is put off")
            if not more:
                self._compacted_ms = now
                return
            self._rested = time.monotonic() + (time.monotonic() - began) / _COMPACT_SHARE

    def _bark(self) -> None:
        if self._watchdog_s is not None and time.monotonic() - self._barked >= self._watchdog_s:
            self._barked = time.monotonic()
            sd_notify("WATCHDOG=1")

    def _finish(self) -> bool:
        """Keep what has come, acknowledge it, let go of the links, keep what came meanwhile."""
        # After a batch was given up, the report numbers in memory are ahead of the store: writing them would
        # make what the broker sends again look like repeats.
        whole = not self._given_up and self._drain()
        self._report()
        self._part()
        whole = whole and (self._queue.empty() or self._drain())
        if not whole:
            _log.error("the last reports are not kept: a broker sends its own again, a serial line can't")
        return whole

    def _part(self) -> None:
        """Stop the links, side by side; one whose other end hangs is left to itself."""
        threads = [
            threading.Thread(target=link.stop, name=f"stop {link.name}", daemon=True) for link in self._links
        ]
        for thread in threads:
            thread.start()
        for thread, link in zip(threads, self._links, strict=True):
            thread.join(max(_LINK_S, self._ending.left()))
            if thread.is_alive():
                _log.warning("%s did not end in time; what it brings now is not taken", link.name)

    def _drain(self) -> bool:
        arrivals: list[Arrival] = []
        while not self._queue.empty():
            arrivals.append(self._queue.get_nowait())
        return self._commit(self._batch(arrivals) if arrivals else None, self._clock(), closing=True)
