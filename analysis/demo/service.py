"""The service of the demo: that of `rushlight run`, by a clock that is simulated."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterable, Sequence

from msgspec.structs import replace

from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.collector.errors import StoreError
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links.base import Deliver, Link
from rushlight.collector.readings import Reading
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["AsSent", "Collecting", "KeptClock", "Watching"]


class AsSent:
    """A link whose reports arrive when they were sent, by the simulated time in them.

    At the demo's speed what waits in the pseudo-terminal may be half an hour: stamped by any clock, a sound
    board would look like one whose clock is behind.
    """

    def __init__(self, link: Link) -> None:
        self._link = link
        self.name, self.counters = link.name, link.counters

    def start(self, deliver: Deliver) -> None:
        """Begin to hand on what the link brings."""
        self._link.start(lambda delivery: deliver(replace(delivery, arrived_ms=_sent_ms(delivery))))

    def acknowledge(self, deliveries: Iterable[Delivery]) -> None:
        """As the link does."""
        self._link.acknowledge(deliveries)

    def stop(self) -> None:
        """End the link."""
        self._link.stop()


def _sent_ms(delivery: Delivery) -> int:
    found = re.search(rb'"bt":([0-9.]+)', delivery.payload)
    return delivery.arrived_ms if found is None else round(float(found[1]) * 1000)


class KeptClock:
    """Simulated time: of the newest reading that is kept, for the screen; that is judged, for the service.

    The node's own clock is ahead of both by what waits in the pseudo-terminal, which at this speed may be
    half an hour: ticked by that one, the watch would call a device silent whose reports are on their way.
    """

    def __init__(self, start_ms: int) -> None:
        self.now_ms = start_ms
        self.judged_ms = start_ms

    def __call__(self) -> int:
        return self.now_ms

    def judged(self) -> int:
        """What the service takes for the time."""
        return self.judged_ms


class Watching(LiveAnalysis):
    """The analysis of `rushlight run`, which moves the clock on and has the notices sent.

    They go out behind each commit and not by a clock of their own: at this speed an alarm might be over
    before a slow machine has looked, and its notice would be withdrawn unsent.
    """

    def __init__(self, settings: Settings, notifier: Notifier, clock: KeptClock) -> None:
        super().__init__(settings, notifier, clock.judged)
        self._clock = clock

    def start(self, store: EmbeddedStore, now_ms: int) -> None:
        super().start(store, now_ms)
        self._store = store

    def take(self, readings: Sequence[Reading], now_ms: int) -> None:
        clock = self._clock
        clock.judged_ms = max(clock.judged_ms, *(reading.time_ms for reading in readings))
        super().take(readings, clock.judged_ms)

    def kept(self, now_ms: int) -> None:
        super().kept(now_ms)
        self._notifier.run_once(self._store, self._clock.judged_ms)
        self._clock.now_ms = self._clock.judged_ms


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
