"""Alarms that were, one by one: when, for how long, who answered, and whether it was right."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import msgspec

from rushlight.analysis.alarms.verdicts import Verdict
from rushlight.analysis.alarms.wording import duration_text
from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.views.alarm_words import end_words
from rushlight.collector.events import AlarmKey, Event

__all__ = ["Past", "past_alarms"]


class Past(msgspec.Struct, kw_only=True):
    """One raising of one alarm; times in ms UTC, `over_ms` None while it goes on or was put aside.

    `end`: "over", or what else ended it. `answers`: what people did, in words, oldest first. `again`: it was
    put aside, and raised anew after that.
    """

    occurrence: str
    tank: str
    alarm: str
    priority: str
    summary: str
    raised_ms: int
    over_ms: int | None = None
    again: bool = False
    lasted: str = ""
    end: str = ""
    answers: list[str] = []
    test: bool = False
    verdict: Verdict | None = None


def past_alarms(events: Iterable[Event], verdicts: Mapping[str, Verdict]) -> list[Past]:
    """The newest first; `events` oldest first."""
    found: dict[str, Past] = {}
    last: dict[AlarmKey, Past] = {}
    for event in events:
        at = milliseconds(event.time)
        if event.event == "raised":
            key = (event.tank, event.alarm, event.quantity)
            if not event.test and key in last:
                last[key].again = last[key].over_ms is None
            past = found[event.occurrence] = Past(
                occurrence=event.occurrence,
                tank=event.tank,
                alarm=event.alarm,
                priority=event.priority,
                summary=event.summary.partition(": ")[2] or event.summary,
                raised_ms=at,
                test=event.test,
                answers=[],
                verdict=verdicts.get(event.occurrence),
            )
            if not event.test:
                last[key] = past
            continue
        if event.occurrence not in found:
            continue
        past = found[event.occurrence]
        who = event.actor or "someone"
        if event.event == "acknowledged":
            past.answers.append(f"{who} has seen it")
        elif event.event == "shelved":
            past.answers.append(f"{who} {'shelved it' if event.until else 'took it out of service'}")
        elif event.event == "cleared":
            past.over_ms = at
            past.end = end_words(event.summary)
            past.lasted = duration_text(max(0, at - past.raised_ms) / 1000)
        elif event.event == "priority-changed":
            past.priority = event.priority
    return sorted(found.values(), key=lambda past: -past.raised_ms)
