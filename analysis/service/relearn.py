"""Snapshots that can't be used: parked while their tank is out of the settings, or learnt again."""

from __future__ import annotations

import heapq
import logging
from collections.abc import Container, Iterator

import msgspec

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.snapshot import book_in
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["park", "relearn"]

_log = logging.getLogger("rushlight.analysis")

_PARKED = "analysis-parked"  # of tanks that are not in the settings now; holds no readings back
_RELEARN_MS = 14 * 86_400_000


def park(store: EmbeddedStore, names: Container[str]) -> None:
    """A tank taken out of the settings must not keep the store from packing days; it may come back."""
    for source, target, leaves in ((ANALYSIS_STATE, _PARKED, True), (_PARKED, ANALYSIS_STATE, False)):
        for name in store.states(source):
            saved = store.load_state(source, name)
            if saved is not None and (name not in names) is leaves:
                with store.transaction():
                    store.save_state(target, name, saved[0], None if leaves else store.position())
                    store.delete_state(source, name)


def relearn(fresh: TankWatch, blob: bytes, store: EmbeddedStore, now_ms: int) -> list[Event]:
    """Detectors from stored readings, alarms from the snapshot where at least those can be read.

    Returns the events that make the stored ones agree with the alarms.
    """
    name = fresh.tank.name
    told: dict[str, Event] = {}  # by occurrence
    for reading in _by_time(store, name, now_ms - _RELEARN_MS):
        try:
            told.update((e.occurrence, e) for e in fresh.feed(reading) if e.event == "raised")
        except Exception:
            _log.exception("%s: a stored reading broke the analysis", name)
            break
    try:
        book = book_in(blob, name, fresh.tank.settings.title)
    except (msgspec.MsgspecError, StoreError):
        return _reconciled(store.events(tank=name), fresh.book, told, now_ms)
    fresh.restore(fresh.snapshot(book))
    return []


def _by_time(store: EmbeddedStore, tank: str, start_ms: int) -> Iterator[Reading]:
    series = [store.readings(tank, quantity, start_ms) for quantity in store.quantities(tank)]
    return heapq.merge(*series, key=lambda reading: reading.time_ms)


def _reconciled(stored: list[Event], book: AlarmBook, told: dict[str, Event], now_ms: int) -> list[Event]:
    """What makes the stored events agree with a book that was learnt anew.

    Occurrences that are open in the store and not in the book are cleared (nobody could end them any more);
    what stands in the book and not in the store is raised.
    """
    raised: dict[str, Event] = {}
    over: set[str] = set()
    for event in stored:
        if event.test:
            continue
        if event.event in ("raised", "priority-changed"):
            raised[event.occurrence] = event
        elif event.event == "cleared":
            over.add(event.occurrence)
    standing = {record.occurrence for record in book.records().values() if record.open}
    now = utc_text(now_ms)
    found = [
        msgspec.structs.replace(
            event,
            event="cleared",
            time=now,
            time_left_s=None,
            summary=f"Over or raised anew: {event.summary}",
        )
        for occurrence, event in raised.items()
        if occurrence not in over and occurrence not in standing
    ]
    return found + [told[name] for name in sorted(standing & told.keys() - raised.keys())]
