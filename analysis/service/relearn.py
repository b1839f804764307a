"""Alarms after a snapshot that can't be read: learnt again from what the store has."""

from __future__ import annotations

import heapq
from collections.abc import Iterator

import msgspec

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.wording import utc_text
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["book_in", "by_time", "reconciled"]


def by_time(store: EmbeddedStore, tank: str, start_ms: int) -> Iterator[Reading]:
    series = [store.readings(tank, quantity, start_ms) for quantity in store.quantities(tank)]
    return heapq.merge(*series, key=lambda reading: reading.time_ms)


def book_in(blob: bytes, name: str, title: str) -> AlarmBook | None:
    """The alarms of a snapshot whose other half can't be used; None where they can't be read either."""
    try:
        _, book = msgspec.msgpack.decode(blob, type=tuple[bytes, bytes])
        return AlarmBook.restore(name, title, book)
    except (msgspec.MsgspecError, StoreError):
        return None


def reconciled(stored: list[Event], book: AlarmBook, told: dict[str, Event], now_ms: int) -> list[Event]:
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
