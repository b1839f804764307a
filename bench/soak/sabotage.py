"""The collector with one safety of its own taken out, to show that the soak fails for it.

    python -m bench.soak --sabotage early-acknowledgement
    python -m bench.soak.power --sabotage sync-off

`python -m bench.soak.sabotage NAME run` is `rushlight run` with it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import msgspec

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.collector.service.link_exchange import Links
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.store.database import Database
from rushlight.collector.store.outbox import Outbox

__all__ = ["SABOTAGES", "SHOWS"]


def _early_acknowledgement() -> None:
    """Reports are acknowledged before they are committed."""
    commit, acknowledge = CollectorService._commit, Links.acknowledge

    def early(self: CollectorService, now: int, closing: bool = False) -> bool:
        acknowledge(self.links, self._backlog.arrivals)
        return commit(self, now, closing)

    CollectorService._commit = early  # type: ignore[method-assign]
    Links.acknowledge = lambda self, arrivals: None  # type: ignore[method-assign]


def _sync_off() -> None:
    """Commits are not synced."""
    assert Database.__init__.__kwdefaults__["synchronous"] == "FULL"
    Database.__init__.__kwdefaults__["synchronous"] = "OFF"


def _forgotten_alarms() -> None:
    """After a start no alarm stands any more; nobody is told."""
    start = LiveAnalysis.start

    def forgetful(self: LiveAnalysis, store: Any, now_ms: int) -> None:
        start(self, store, now_ms)
        for name, watch in self.watches.items():
            watch.book = AlarmBook(name, watch.tank.settings.title)

    LiveAnalysis.start = forgetful  # type: ignore[method-assign]


def _cleared_alarms() -> None:
    """At a start each standing alarm is cleared, as if its cause were gone."""
    start = LiveAnalysis.start

    def clearing(self: LiveAnalysis, store: Any, now_ms: int) -> None:
        start(self, store, now_ms)
        for name, watch in self.watches.items():
            standing = {e.occurrence: e for e in store.events(tank=name) if e.event == "raised"}
            for event in store.events(tank=name):
                if event.event == "cleared":
                    standing.pop(event.occurrence, None)
            over = {"event": "cleared", "time": utc_text(now_ms)}
            self._events += [msgspec.structs.replace(e, **over) for e in standing.values()]
            if standing:
                watch.book = AlarmBook(name, watch.tank.settings.title)

    LiveAnalysis.start = clearing  # type: ignore[method-assign]


def _dropped_notices() -> None:
    """Every other notice never gets into the outbox."""
    queue, count = Outbox.queue_notice, 0

    def dropping(self: Outbox, **more: Any) -> bool:
        nonlocal count
        count += 1
        return queue(self, **more) if count % 2 else True

    Outbox.queue_notice = dropping  # type: ignore[method-assign]


def _unsent_notices() -> None:
    """A target's first "no" counts as "taken"."""
    deliver = Notifier._deliver

    def once(self: Notifier, store: Any, target: str, batch: Any, now_ms: int) -> bool:
        if not deliver(self, store, target, batch, now_ms):
            with store.transaction():
                for notice in batch:
                    store.notice_delivered(notice.id, now_ms)
        return True

    Notifier._deliver = once  # type: ignore[method-assign]


def _endless_notices() -> None:
    """What was taken is not marked as taken."""
    Outbox.notice_delivered = lambda self, number, now_ms: None  # type: ignore[method-assign]


SHOWS: dict[str, str] = {
    "early-acknowledgement": "acknowledged and not stored",
    "forgotten-alarms": "alarms cleared or raised wrongly",
    "cleared-alarms": "alarms cleared or raised wrongly",
    "dropped-notices": "notices",
    "unsent-notices": "notices",
    "endless-notices": "notices",
}
"""What the soak must find for each: to fail for something else proves nothing (`sync-off` is for `power`)."""

SABOTAGES: dict[str, Callable[[], None]] = {
    "early-acknowledgement": _early_acknowledgement,
    "sync-off": _sync_off,
    "forgotten-alarms": _forgotten_alarms,
    "cleared-alarms": _cleared_alarms,
    "dropped-notices": _dropped_notices,
    "unsent-notices": _unsent_notices,
    "endless-notices": _endless_notices,
}
"""Name -> what takes the safety out; its text says which."""


def main() -> None:
    from rushlight.analysis.commands.main import main as rushlight

    SABOTAGES[sys.argv.pop(1)]()
    rushlight()


if __name__ == "__main__":
    main()
