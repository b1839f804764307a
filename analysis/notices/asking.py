"""Whether an alarm wants a person, by its events."""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.collector.events import PRIORITY_RANK, Event

__all__ = ["asks_for", "transition_of"]


def transition_of(event: Event) -> str:
    """A priority may change several times; each change is a notice of its own. A test waits for nothing."""
    if event.test and event.event == "raised":
        return "test"
    return f"{event.event} {event.time}" if event.event == "priority-changed" else event.event


def asks_for(events: Sequence[Event]) -> tuple[bool, str]:
    """Whether an alarm with these events wants a person, and the transition that speaks for it."""
    asks, transition, rank = False, "", -1
    for event in events:
        if event.event in ("raised", "priority-changed"):
            if event.event == "raised" or PRIORITY_RANK[event.priority] > rank:
                asks = True
            transition, rank = transition_of(event), PRIORITY_RANK[event.priority]
        elif event.event in ("acknowledged", "cleared", "shelved"):
            asks = False
    return asks, transition
