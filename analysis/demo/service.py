"""The service of the demo: that of `rushlight run`, by a clock that is simulated."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["Collecting", "KeptClock", "Watching"]


class KeptClock:
    """The service's clock: the simulated time of the newest reading that it has kept.

    The node's own clock is ahead of it by what waits in the pseudo-terminal, which at this speed may be half
    an hour: ticked by that one, the watch would call a device silent whose reports are on their way.
    """

    def __init__(self, start_ms: int) -> None:
        self.now_ms = start_ms

    def __call__(self) -> int:
        return self.now_ms


class Watching(LiveAnalysis):
    """The analysis of `rushlight run`, which moves the clock on and has the notices sent.

    They go out behind each commit and not by a clock of their own: at this speed an alarm might be over
    before a slow machine has looked, and its notice would be withdrawn unsent.
    """

    def __init__(self, settings: Settings, notifier: Notifier, clock: KeptClock) -> None:
        super().__init__(settings, notifier, clock)
        self._clock = clock
        self._taken_ms = clock.now_ms

    def start(self, store: EmbeddedStore, now_ms: int) -> None:
        super().start(store, now_ms)
        self._store = store

    def take(self, readings: Sequence[Reading], now_ms: int) -> None:
        super().take(readings, now_ms)
        self._taken_ms = max(self._taken_ms, *(reading.time_ms for reading in readings))

    def kept(self, now_ms: int) -> None:
        super().kept(now_ms)
        self._notifier.run_once(self._store, self._taken_ms)
        self._clock.now_ms = self._taken_ms


class Collecting(threading.Thread):
    """The real service on a thread of its own, which keeps what ended it."""

    def __init__(self, service: CollectorService) -> None:
        super().__init__(name="demo-service", daemon=True)
        self._service = service
        self._error: Exception | None = None
        self._whole = False

    def run(self) -> None:
        try:
            self._whole = self._service.run()
        except Exception as error:  # kept for finish(): a thread's exception would only be printed
            self._error = error

    def finish(self) -> None:
        """Stop it; raises what went wrong in it, if anything did."""
        self._service.stop()
        self.join()
        if self._error is not None:
            raise self._error
        if not self._whole:
            raise StoreError("the demo's last readings could not be kept: is the disk full?")
