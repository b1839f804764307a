"""What makes the stored events and a tank's alarms that were learnt anew agree: after a snapshot was lost."""

from __future__ import annotations

from datetime import datetime

import msgspec

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.wording import utc_text
from rushlight.collector.events import AlarmKey, Event

__all__ = ["reconciled", "silence_again"]


def reconciled(stored: list[Event], book: AlarmBook, learnt: dict[str, Event], now_ms: int) -> list[Event]:
    """What makes the stored events agree with a book that was learnt anew.

    Occurrences that are open in the store and not in the book are cleared (nobody could end them any more);
    what is active in the book and not in the store is raised.
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
    active = {record.occurrence for record in book.records().values() if record.open}
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
        if occurrence not in over and occurrence not in active
    ]
    return found + [learnt[name] for name in sorted(active & learnt.keys() - raised.keys())]


def silence_again(stored: list[Event], book: AlarmBook, now_ms: int) -> None:
    """Do again what people did: acknowledge, shelve, take out of service; not what they have ended."""
    last: dict[AlarmKey, Event] = {}
    answered: dict[str, Event] = {}  # by occurrence
    for event in stored:
        if event.test:
            continue
        if event.event in ("shelved", "unshelved"):
            last[(event.tank, event.alarm, event.quantity)] = event
        elif event.event in ("acknowledged", "priority-changed"):
            answered[event.occurrence] = event
    for alarm, record in book.records().items():
        answer = answered.get(record.occurrence)
        if record.open and answer is not None and answer.event == "acknowledged":
            book.acknowledge(alarm, now_ms, answer.actor)
    for key, event in sorted(last.items()):
        if event.event == "unshelved":
            continue
        if not event.until:
            book.out_of_service(key, now_ms, event.actor)
            continue
        until_ms = round(datetime.fromisoformat(event.until).timestamp() * 1000)
        if until_ms > now_ms:
            book.shelve(key, until_ms, now_ms, event.actor)
