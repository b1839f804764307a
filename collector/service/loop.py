"""The running collector: links -> wire -> timing -> quality -> store -> whoever listens.

A batch is made once, in memory, and written in one transaction together with what the listener makes of it;
only then are its deliveries acknowledged. Where the write fails, the same batch waits and is written again:
nothing is acknowledged and nothing is judged twice. What comes meanwhile is judged, too, and waits with it
(`rushlight.collector.intake.backlog`); the listener brings what it makes of that to people (`hold`)."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Sequence

import msgspec

from rushlight.collector.errors import StoreError, StoreFull
from rushlight.collector.intake.arrivals import Waiting
from rushlight.collector.intake.backlog import Backlog
from rushlight.collector.intake.batch import Arrival, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links import Link
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.service.day_files import Packing
from rushlight.collector.service.deadline import Ending, end_links
from rushlight.collector.service.let_go import LetGo
from rushlight.collector.service.link_exchange import Links, Prepared
from rushlight.collector.service.listener import LINKS_META, Listener, system_clock
from rushlight.collector.service.systemd import Watchdog, sd_notify
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

__all__ = ["CollectorService"]

_log = logging.getLogger("rushlight.collector")

_BATCH = 1000  # deliveries in one commit; the MQTT link lets as many be unacknowledged
_BATCH_S = 0.25  # and the longest that the first of them waits
_LULL_S = 0.03  # nothing more has come for so long: don't keep a broker that limits what is in flight waiting
_RETRY_S = (0.5, 30.0)
_TICK_MS = 5_000
_POLL_MS = 1_000
_REPORT_MS = 30_000
_WELL_MS = 300_000
_TRIED_META = "written-again-at"


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
    lock : ServiceLock, optional
        Held by the caller. Where another service has it, this one ends: two on one store double everything.
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
        lock: ServiceLock | None = None,
    ) -> None:
        self._lock, self._replaced = lock, False
        self._store = store
        self.links = Links(links, settings.links, self._deliver)
        self.between: Callable[[], None] | None = None  # called after each round
        self._listener = listener
        self._clock = clock
        self._most = most
        self._say = ClearLog(_log, clock)
        self.maker = BatchMaker(settings, self._say)
        self.let_go = LetGo(store)
        self._queue = Waiting()
        self._stop = threading.Event()
        self._ending = ending or Ending()
        self._tick_ms = self._poll_ms = self._report_ms = self._reading_ms = 0
        self._backlog = Backlog()
        self._failing = False
        self._why = ""  # the store can't be written; "" where it can, as far as is known
        self._pause_s, self._retry = _RETRY_S[0], 0.0  # and when to try again, by time.monotonic
        self._packing = Packing(store, settings.store, self._say, self._stop, self._queue)
        self._watchdog = Watchdog()

    def stop(self) -> None:
        """Ask for the end; safe from a signal handler or another thread."""
        self._ending.ask()
        self._stop.set()

    def is_well(self) -> bool:
        """Readings are arriving and the store keeps them; for the heartbeat."""
        return not self._failing and 0 <= self._clock() - self._reading_ms < _WELL_MS

    def run(self) -> bool:
        """Collect until `stop`; False where the last batch could not be kept."""
        self.maker.restore(self._store)
        self.links.start()
        sd_notify("READY=1")
        try:
            while not self._stop.is_set():
                if self._lock is not None and not self._lock.keep():
                    self._replaced = True
                    _log.error("another Rushlight service has taken over this store: this one ends")
                    self.stop()
                    break
                self._round()
        finally:
            sd_notify("STOPPING=1")
            whole = self._finish()
        return whole

    def _deliver(self, number: int, delivery: Delivery) -> None:
        """On a link's thread. A full queue holds the link up, which is what a full store should do."""
        self._queue.put(Arrival(number, delivery), self._stop)  # what is not taken is not acknowledged

    def _round(self) -> None:
        if self._backlog.brimful:
            arrivals = []
            self._stop.wait(_BATCH_S)
        else:
            arrivals = self._collect()
        self._judge(arrivals)
        now = self._clock()  # behind what was judged: a reading may not be later than the tick after it
        # a clock that was put back must not stop these for as long
        if not 0 <= now - self._tick_ms < _TICK_MS:
            self._tick_ms = now
            self._listener.tick(now)
        if not 0 <= now - self._poll_ms < _POLL_MS:
            self._poll_ms = now
            self._poll(now)
        if self._why and time.monotonic() < self._retry:
            self._hold(now, self._why)
        elif self._why or not self._backlog.empty or self._listener.wants(now):
            self._commit(now)
        if not self._why:
            if not 0 <= now - self._report_ms < _REPORT_MS:
                self._report_ms = now
                self._report()
            if self._packing.is_due(now):
                self._packing.go_on(now, busy=bool(arrivals))
        self.links.step(time.monotonic())
        if self.between is not None:
            self.between()
        self._watchdog.feed()

    def settle(self) -> bool:
        """Judge and keep all that has come, as at the end; False where it can't be kept now."""
        return not self._why and self._drain()

    def renew(self, settings: Settings, prepared: Prepared, maker: BatchMaker) -> None:
        """Go on by other settings, after `settle`; `maker` is the successor of the one that there is."""
        self.links.use(settings.links, prepared)
        maker.map_topics(self.links.known)
        self.maker = maker
        self._packing.renew(settings.store)
        self._report_ms = 0

    def _collect(self) -> list[Arrival]:
        """Up to a batch of deliveries; empty where nothing came for a quarter of a second."""
        try:
            arrivals = [self._queue.get(timeout=_BATCH_S)]
        except queue.Empty:
            return []
        end = time.monotonic() + _BATCH_S
        while True:
            full = self._queue.fill(arrivals, self._most)
            left = end - time.monotonic()
            if full or left <= 0:
                return arrivals
            try:
                arrivals.append(self._queue.get(timeout=min(left, _LULL_S)))
            except queue.Empty:
                return arrivals

    def _judge(self, arrivals: list[Arrival]) -> None:
        """Make batches, give them to the listener, and put them with what waits to be written."""
        for part in self._backlog.parts(arrivals) if arrivals else ():
            batch = self.maker.make(part)
            for arrival in part:
                if arrival.link not in self.links.last_ms:
                    self._report_ms = 0  # `status` says at once that something comes
                self.links.last_ms[arrival.link] = arrival.delivery.arrived_ms
            now = self._clock()
            if batch.readings:
                self._reading_ms = now
                self._listener.take(batch.readings, now)
            for device in batch.devices:
                self._listener.device(*device)
            self._backlog.add(batch)

    def _commit(self, now: int, closing: bool = False) -> bool:
        """Try once to write all that waits, and acknowledge it; False where it waits on."""
        heard = True
        while True:
            try:
                with self._store.transaction():
                    if self._why:
                        # also a full disk takes a commit in which there is nothing
                        self._store.set_meta(_TRIED_META, str(now))
                    self._backlog.write(self._store)
                    if heard:
                        self._listener.keep(self._store, now, closing)
                break
            except StoreError as error:
                self._put_off(error, now)
                return False
            except Exception as error:
                if not heard:
                    raise
                # The readings are kept all the same. What the listener has to say stays with it for the next
                # commit; after a restart it makes it again from the readings.
                heard = False
                if self._say.say("listener", f"what was made of the readings can't be kept: {error!r}"):
                    _log.exception("where it failed")
                self._hold(now, repr(error))
        self._failing, self._why, self._pause_s = not heard, "", _RETRY_S[0]
        self._say.over("store", f"the store can be written again; {self._what_was_kept()}")
        if heard:
            self._listener.kept(now)
        self.links.acknowledge(self._backlog.arrivals)
        self._backlog.clear()
        return True

    def _put_off(self, error: StoreError, now: int) -> None:
        """The store can't be written: judge on, send notices from memory, try again later."""
        self._failing, self._why = True, str(error)
        self._retry = time.monotonic() + self._pause_s
        self._pause_s = min(self._pause_s * 2, _RETRY_S[1])
        self._say.say(
            "store",
            f"{error}; {len(self._backlog)} reports wait, none is acknowledged; trying again",
            logging.ERROR if isinstance(error, StoreFull) else logging.WARNING,
        )
        self._hold(now, self._why)

    def _what_was_kept(self) -> str:
        gone = self._backlog.let_go
        lost = f"{gone} readings of serial lines found no room in memory, all else is kept"
        return lost if gone else "all that waited is kept"

    def _hold(self, now: int, why: str) -> None:
        try:
            self._listener.hold(self._store, now, why)
        except Exception as error:
            if self._say.say("hold", f"alarms can't be sent from memory: {error!r}"):
                _log.exception("where it failed")

    def _poll(self, now: int) -> None:
        try:
            self.maker.follow_log(self._store)
            self._listener.poll(self._store, now)
        except StoreError as error:
            self._say.say("poll", f"{error}; trying again")

    def _report(self) -> None:
        try:
            self._store.set_meta(LINKS_META, msgspec.json.encode(self.links.reports()).decode())
            self.let_go.keep(self.links.ending(), self._clock())
        except StoreError as error:
            self._say.say("report", f"{error}; trying again")

    def _finish(self) -> bool:
        """Keep what has come, acknowledge it, let go of the links, keep what came meanwhile."""
        whole = not self._replaced and self._drain()
        if whole:
            self._report()
        end_links(list(self.links.all.values()), self._ending)
        if self._replaced:
            return False
        if not whole or not self._queue.empty():
            whole = self._drain()
        if not whole:
            _log.error("the last reports are not kept: a broker sends its own again, a serial line can't")
        return whole

    def _drain(self) -> bool:
        arrivals: list[Arrival] = []
        while not self._queue.empty():
            arrivals.append(self._queue.get_nowait())
        self._judge(arrivals)
        return self._commit(self._clock(), closing=True)
