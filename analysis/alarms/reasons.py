"""Why a step of an alarm ended where it did, and the event that this makes."""

from __future__ import annotations

from enum import StrEnum

from rushlight.collector.events import EventKind

__all__ = ["EVENT_OF", "Reason"]


class Reason(StrEnum):
    """Why a step ended where it did; those that make an event have the event's name."""

    NONE = "nothing changed"
    PENDING = "delay running"
    RAISED = "raised"
    RAISED_ANEW = "raised anew"
    CLEARED = "cleared"
    RAISED_PRIORITY = "priority raised"
    LOWERED_PRIORITY = "priority lowered"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SHELF_ENDED = "shelf ended"
    REMOVED = "removed from service"
    RETURNED = "returned to service"


EVENT_OF: dict[Reason, EventKind] = {
    Reason.RAISED: "raised",
    Reason.RAISED_ANEW: "raised",  # after a "cleared" of the occurrence before
    Reason.CLEARED: "cleared",
    Reason.RAISED_PRIORITY: "priority-changed",
    Reason.LOWERED_PRIORITY: "priority-changed",
    Reason.ACKNOWLEDGED: "acknowledged",
    Reason.SHELVED: "shelved",
    Reason.UNSHELVED: "unshelved",
    Reason.SHELF_ENDED: "unshelved",
    # the contract has no event of its own for this: a shelf with no end
    Reason.REMOVED: "shelved",
    Reason.RETURNED: "unshelved",
}
