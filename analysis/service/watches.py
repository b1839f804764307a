"""The watches of a running service: made, taken up from the store, given readings, exchanged for others."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from contextlib import suppress

from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.service.lost_snapshots import park, relearn
from rushlight.analysis.watch.judged_gas import JudgedGas
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.readings import Reading
from rushlight.collector.settings import Settings
from rushlight.collector.settings.tables import LOOK_BACK_DAYS
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["Watches"]

_log = logging.getLogger("rushlight.analysis")


class Watches:
    """A `TankWatch` for each tank of the settings, and what has come of them since it was last kept."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self._settings = settings
        self._log_clock = clock
        self._say = ClearLog(_log, clock)
        self._events: list[Event] = []
        self._changed: set[str] = set()  # tanks whose snapshot must go with what is waiting
        self._failures: dict[str, str] = {}
        self._gas = JudgedGas()
        self._put_back = True  # the notices' times in the store are to be looked at: at the start, too
        self.watches = {name: self._watch(name) for name in settings.tanks}

    def _watch(self, name: str) -> TankWatch:
        """A tank's analysis, in which one detector that fails stops no other."""
        watch = TankWatch(name, self._settings.tanks[name])
        watch.clocked = watch.state.frames.clocked = True

        def failed(detector: str, time_ms: int, error: Exception) -> None:
            self._failures[name] = f"{detector} {time_ms}"
            words = f"{name}: can't judge {detector} here ({error!r}); all else is still watched"
            if self._say.say(f"{name} {detector}", words):
                _log.error("%s: where it failed", name, exc_info=error)

        watch.failed = failed
        return watch

    def _exchange(self, settings: Settings, store: EmbeddedStore, now_ms: int) -> None:
        """Other settings.

        As after a restart, but that nothing is waited for again: what was learnt, alarms and delays go on.
        """
        before, known = self._settings, self.watches
        events, changed = list(self._events), set(self._changed)
        self._settings = settings
        try:
            self.watches = {name: self._renewed(name, known.get(name)) for name in settings.tanks}
            park(store, self.watches)
            added = self.watches.keys() - known.keys()
            self._take_up(added, store, now_ms)
        except Exception:
            self._settings, self.watches = before, known
            self._events, self._changed = events, changed
            with suppress(StoreError):
                park(
                    store, known
                )  # what was parked as of a tank that is gone would be older at the next start
            raise
        self._changed = {name for name in self._changed if name in self.watches} | added

    def _renewed(self, name: str, before: TankWatch | None) -> TankWatch:
        if before is not None and before.tank.settings == self._settings.tanks[name]:
            return before
        fresh = self._watch(name)
        if before is not None:
            fresh.restore(before.snapshot())
        return fresh

    def _take_up(self, names: Iterable[str], store: EmbeddedStore, now_ms: int) -> None:
        """From the snapshots and the readings behind them."""
        self._restore(names, store, now_ms)
        self._follow(now_ms, names)
        for name in sorted(names):
            # what waited at the broker must come in before anyone is called silent
            if self.watches[name].begin(now_ms):
                self._changed.add(name)  # a new tank: a first report is waited for from here, over restarts

    def _restore(self, names: Iterable[str], store: EmbeddedStore, now_ms: int) -> None:
        for name in sorted(names):
            watch = self.watches[name]
            saved = store.load_state(ANALYSIS_STATE, name)
            if saved is None:
                continue
            blob, position = saved
            try:
                watch.restore(blob)
                watch.begin(now_ms)
                again = 0
                for _, reading in store.arrivals_after(position, name):
                    self._feed(watch, reading)
                    again += 1
            except StoreError as error:
                _log.warning("%s; learning again from the last %d days of readings", error, LOOK_BACK_DAYS)
                fresh = self._watch(name)
                self._events += relearn(fresh, blob, store, now_ms, self._log_clock)
                self.watches[name] = fresh
                self._changed.add(name)
                continue
            _log.info("%s: analysis restored, with %d readings since", name, again)

    def _follow(self, now_ms: int, names: Iterable[str]) -> None:
        """A clock that was put back must not silence anything for as long as it was ahead."""
        back = [name for name in sorted(names) if self.watches[name].follow_clock(now_ms)]
        if back:
            self._put_back = True
            _log.warning(
                "the clock was put back to %s; what is remembered of %s follows it",
                utc_text(now_ms),
                ", ".join(back),
            )

    def _feed(self, watch: TankWatch, reading: Reading, arrived_ms: int | None = None) -> None:
        try:
            before = watch.moment
            events = watch.feed(reading, arrived_ms)
            if watch.moment is not before:
                self._gas.look(watch)
            if events or watch.book.changed:
                self._note(watch, events)
        except Exception as error:
            # the readings are kept and the other tanks watched, whatever one detector does
            name = watch.tank.name
            if self._say.say(f"{name} feed", f"{name}: the analysis failed on a reading: {error!r}"):
                _log.exception("%s: where it failed", name)

    def _note(self, watch: TankWatch, events: list[Event]) -> None:
        if events:
            self._events += events
            for event in events:
                _log.info("%s %s: %s", event.occurrence, event.event, event.summary)
        if events or watch.book.changed:
            self._changed.add(watch.tank.name)
