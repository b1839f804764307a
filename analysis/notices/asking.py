"""Whether an alarm still wants a person, by its events."""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.analysis.alarms.endings import is_raised_anew, is_unseen
from rushlight.analysis.notices.notice_store import NoticeStore
from rushlight.analysis.notices.wording import milliseconds
from rushlight.collector.events import PRIORITY_RANK, Event

__all__ = ["AWAY", "asks_for", "question_of", "raised_anew", "replaced_by", "transition_of"]

AWAY = "it comes and goes, and is not there now"
"""Why a reminder waits: nobody is to be woken for what is not there."""


def asks_for(events: Sequence[Event]) -> tuple[bool, str]:
    """Whether an alarm with these events wants a person, and the transition that speaks for it.

    One that has ended because nobody can see it any more goes on asking until somebody answers: the probe
    that died is no reason to let a person sleep who has not heard of the danger.
    """
    wants, transition, rank = False, "", -1
    for event in events:
        if event.event in ("raised", "priority-changed"):
            if event.event == "raised" or PRIORITY_RANK[event.priority] > rank:
                wants = True
            transition, rank = transition_of(event), PRIORITY_RANK[event.priority]
        elif event.event in ("acknowledged", "shelved") or (
            event.event == "cleared" and not is_unseen(event.summary)
        ):
            wants = False
    return wants, transition


def transition_of(event: Event) -> str:
    """A priority may change several times; each change is a notice of its own. A test waits for nothing."""
    if event.test and event.event == "raised":
        return "test"
    return f"{event.event} {event.time}" if event.event == "priority-changed" else event.event


def replaced_by(event: Event, store: NoticeStore) -> set[str]:
    """Occurrences of which notices wait, and in whose place this one is raised."""
    name = event.occurrence.rpartition("/")[0]
    waiting = {notice.occurrence for notice in store.pending_notices()}
    return {other for other in waiting if other != event.occurrence and other.rpartition("/")[0] == name}


def question_of(event: Event, store: NoticeStore) -> str:
    """The occurrence by which people were first asked what this event asks.

    Another than its own where it is raised anew, because it is worse, and nobody has answered before.
    """
    if event.event != "raised":
        return event.occurrence
    for other in store.events(tank=event.tank, since_ms=milliseconds(event.time)):
        same = (other.alarm, other.quantity, other.time) == (event.alarm, event.quantity, event.time)
        if same and other.event == "cleared" and is_raised_anew(other.summary):
            before = [one for one in store.events(occurrence=other.occurrence) if one != other]
            if asks_for(before)[0]:
                return other.occurrence
    return event.occurrence


def raised_anew(events: Sequence[Event], store: NoticeStore) -> bool:
    """Whether an alarm that nobody could see any more has been raised again since, as another occurrence."""
    last = events[-1]
    if last.event != "cleared":
        return False
    since = store.events(tank=last.tank, since_ms=milliseconds(last.time))
    same = (last.alarm, last.quantity)
    return any(
        event.event == "raised"
        and (event.alarm, event.quantity) == same
        and event.occurrence != last.occurrence
        for event in since
    )
