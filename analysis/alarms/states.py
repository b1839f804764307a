"""The alarm state machine of ANSI/ISA-18.2 and IEC 62682: a record and an input give the next record and why.

Of the standard's states "latched" and "suppressed by design" are not used.

    normal --condition, on-delay--> unacknowledged --acknowledge--> acknowledged
       ^                              |      ^                          |
       |                 gone, off-delay     condition again            gone, off-delay
       |                              v      |                          |
       +<------acknowledge--- returned to normal unacknowledged         |
       +<---------------------------------------------------------------+
    from any: shelved (until a time) and out of service (until a person ends it)
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.findings import Finding
from rushlight.collector.events import PRIORITY_RANK, EventKind, Priority

__all__ = [
    "BY_CLOCK",
    "EVENT_OF",
    "MAX_SHELF_MS",
    "PRIORITY_HOLD_MS",
    "RAISED_STATES",
    "SILENCED_STATES",
    "AlarmRecord",
    "AlarmState",
    "Input",
    "Reason",
    "Step",
    "put_back",
    "step",
]

PRIORITY_HOLD_MS = 30 * 60_000
"""A lower priority must hold this long before an alarm is lowered; a higher one counts at once."""
BY_CLOCK = frozenset({"device-silent"})  # about readings that do not come: no reading's time measures it
MAX_SHELF_MS = 7 * 86_400_000
"""ISA-18.2 wants shelving limited in time; longer is "out of service"."""


class AlarmState(StrEnum):
    """States as ISA-18.2 names them."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned to normal unacknowledged"
    SHELVED = "shelved"
    OUT_OF_SERVICE = "out of service"


class Input(StrEnum):
    """What can happen to an alarm. `TICK` is time passing without a new judgement."""

    PRESENT = "present"
    HOLDING = "holding"
    ABSENT = "absent"
    TICK = "tick"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    REMOVE = "remove from service"
    RETURN = "return to service"


class Reason(StrEnum):
    """Why a step ended where it did; those that make an event have the event's name."""

    NONE = "nothing changed"
    PENDING = "delay running"
    RAISED = "raised"
    CLEARED = "cleared"
    RAISED_PRIORITY = "priority raised"
    LOWERED_PRIORITY = "priority lowered"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SHELF_ENDED = "shelf ended"
    REMOVED = "removed from service"
    RETURNED = "returned to service"


class AlarmRecord(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """All that is known of one alarm; times in ms UTC.

    `standing` is the condition behind both delays, tracked in every state. `occurrence` is the raising that
    is open or was the last; `open` says which. A shelf ends an occurrence's hold on a person but not the
    occurrence: it is cleared when its condition goes, or replaced when the alarm is raised again.
    `shelved_ms` is when it was shelved or taken out of service; `named_ms` the time in the last occurrence's
    name where the clock was put back since, so that no name is given twice.
    """

    alarm: str
    quantity: str = ""
    state: AlarmState = AlarmState.NORMAL
    standing: bool = False
    open: bool = False
    present_since_ms: int | None = None
    absent_since_ms: int | None = None
    priority: Priority = "low"
    lower_since_ms: int | None = None
    shelf_end_ms: int | None = None
    occurrence: str = ""
    raised_ms: int | None = None
    finding: Finding | None = None
    shelved_ms: int | None = None
    named_ms: int | None = None


class Step(NamedTuple):
    """An input with what belongs to it."""

    kind: Input
    finding: Finding | None = None
    until_ms: int | None = None


_AWAKE = (AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED)
SILENCED_STATES = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
RAISED_STATES = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def step(record: AlarmRecord, given: Step, now_ms: int) -> tuple[AlarmRecord, Reason]:
    """The next record and why; pure, and total: an input that means nothing in a state changes nothing.

    Raising does not set `occurrence`; the book names it.
    """
    kind = given.kind
    if kind in (Input.PRESENT, Input.HOLDING, Input.ABSENT):
        return _condition(record, given, now_ms)
    if kind is Input.TICK:
        if record.state is AlarmState.SHELVED and now_ms >= (record.shelf_end_ms or 0):
            return replace(record, state=AlarmState.NORMAL, shelf_end_ms=None), Reason.SHELF_ENDED
        if record.present_since_ms is not None and not record.standing:
            return _rise(record, now_ms)
        if record.standing and record.state in _AWAKE:
            return replace(record, state=AlarmState.UNACKNOWLEDGED, open=True), Reason.RAISED
        return record, Reason.NONE
    if kind is Input.ACKNOWLEDGE:
        if record.state is AlarmState.UNACKNOWLEDGED:
            return replace(record, state=AlarmState.ACKNOWLEDGED), Reason.ACKNOWLEDGED
        if record.state is AlarmState.RETURNED_UNACKNOWLEDGED:
            return replace(record, state=AlarmState.NORMAL), Reason.ACKNOWLEDGED
    elif kind is Input.SHELVE and given.until_ms is not None:
        if record.state is not AlarmState.OUT_OF_SERVICE and given.until_ms > now_ms:
            shelved = replace(
                record, state=AlarmState.SHELVED, shelf_end_ms=given.until_ms, shelved_ms=now_ms
            )
            return shelved, Reason.SHELVED
    elif kind is Input.UNSHELVE and record.state is AlarmState.SHELVED:
        return replace(record, state=AlarmState.NORMAL, shelf_end_ms=None), Reason.UNSHELVED
    elif kind is Input.REMOVE and record.state is not AlarmState.OUT_OF_SERVICE:
        removed = replace(record, state=AlarmState.OUT_OF_SERVICE, shelf_end_ms=None, shelved_ms=now_ms)
        return removed, Reason.REMOVED
    elif kind is Input.RETURN and record.state is AlarmState.OUT_OF_SERVICE:
        return replace(record, state=AlarmState.NORMAL), Reason.RETURNED
    return record, Reason.NONE


def _condition(record: AlarmRecord, given: Step, now_ms: int) -> tuple[AlarmRecord, Reason]:
    row = rationale_for(record.alarm)
    if given.kind is Input.ABSENT:
        if not record.standing:
            if record.present_since_ms is None:
                return record, Reason.NONE
            return replace(record, present_since_ms=None), Reason.PENDING
        since = now_ms if record.absent_since_ms is None else record.absent_since_ms
        if now_ms - since < row.off_delay_s * 1000:
            if record.absent_since_ms is not None:
                return record, Reason.NONE
            return replace(record, absent_since_ms=since), Reason.PENDING
        state = record.state
        if state is AlarmState.UNACKNOWLEDGED:
            state = AlarmState.RETURNED_UNACKNOWLEDGED
        elif state is AlarmState.ACKNOWLEDGED:
            state = AlarmState.NORMAL
        gone = replace(
            record,
            state=state,
            standing=False,
            open=False,
            present_since_ms=None,
            absent_since_ms=None,
            lower_since_ms=None,
        )
        return gone, Reason.CLEARED if record.open else Reason.PENDING
    finding = given.finding
    if record.standing:
        reason = Reason.NONE
        if record.absent_since_ms is not None:
            record, reason = replace(record, absent_since_ms=None), Reason.PENDING
        return _priority(record, finding, now_ms, reason)
    if given.kind is Input.HOLDING:
        # the deadband keeps what is raised and what is on its way, but begins nothing
        if record.present_since_ms is None:
            return record, Reason.NONE
        return _rise(replace(record, finding=finding), now_ms)
    since = now_ms if record.present_since_ms is None else record.present_since_ms
    return _rise(replace(record, finding=finding, present_since_ms=since), now_ms)


def _rise(record: AlarmRecord, now_ms: int) -> tuple[AlarmRecord, Reason]:
    delay_ms = rationale_for(record.alarm).on_delay_s * 1000
    if record.present_since_ms is None or now_ms - record.present_since_ms < delay_ms:
        return record, Reason.PENDING
    record = replace(
        record,
        standing=True,
        absent_since_ms=None,
        lower_since_ms=None,
        priority=_priority_of(record.alarm, record.finding),
    )
    if record.state in SILENCED_STATES:
        return record, Reason.PENDING
    return replace(record, state=AlarmState.UNACKNOWLEDGED, open=True), Reason.RAISED


def _priority(
    record: AlarmRecord, finding: Finding | None, now_ms: int, reason: Reason
) -> tuple[AlarmRecord, Reason]:
    wanted = _priority_of(record.alarm, finding)
    change = PRIORITY_RANK[wanted] - PRIORITY_RANK[record.priority]
    if change > 0:
        # what a person acknowledged was less than what it is now, so it asks again
        state = AlarmState.UNACKNOWLEDGED if record.state in RAISED_STATES else record.state
        record = replace(record, priority=wanted, lower_since_ms=None, finding=finding, state=state)
        return record, Reason.RAISED_PRIORITY if state not in SILENCED_STATES else Reason.PENDING
    if change == 0:
        if record.lower_since_ms is None:
            return record, reason
        return replace(record, lower_since_ms=None), Reason.PENDING
    if record.lower_since_ms is None:
        return replace(record, lower_since_ms=now_ms), Reason.PENDING
    if now_ms - record.lower_since_ms < PRIORITY_HOLD_MS:
        return record, reason
    record = replace(record, priority=wanted, lower_since_ms=None, finding=finding)
    return record, Reason.LOWERED_PRIORITY if record.state not in SILENCED_STATES else Reason.PENDING


def _priority_of(alarm: str, finding: Finding | None) -> Priority:
    row = rationale_for(alarm)
    wanted = row.priority if finding is None else finding.priority
    return max(wanted, row.least_priority, key=PRIORITY_RANK.__getitem__)


def put_back(record: AlarmRecord, before_ms: int, now_ms: int, delays_ms: int | None = None) -> AlarmRecord:
    """The record as it is after the clock was put back from `before_ms` to `now_ms`.

    What had begun by the clock that was ahead began as long ago by the new one; what had begun before stays.
    A shelf keeps the time that was left of it. `delays_ms` is how far the time of the delays had come, where
    that is another than the clock's.
    """
    delays_ms = before_ms if delays_ms is None else delays_ms

    def moved(time_ms: int | None, from_ms: int) -> int | None:
        if time_ms is None or time_ms <= now_ms:
            return time_ms
        return max(0, time_ms - max(0, from_ms - now_ms))

    end_ms = record.shelf_end_ms
    if end_ms is not None and (
        end_ms - now_ms > MAX_SHELF_MS or (record.shelved_ms is not None and record.shelved_ms > now_ms)
    ):
        end_ms = min(end_ms - max(0, before_ms - now_ms), now_ms + MAX_SHELF_MS)
    raised_ms, named_ms = record.raised_ms, record.named_ms
    if raised_ms is not None and raised_ms > now_ms:
        named_ms = max(raised_ms, named_ms or 0)
    return replace(
        record,
        present_since_ms=moved(record.present_since_ms, delays_ms),
        absent_since_ms=moved(record.absent_since_ms, delays_ms),
        lower_since_ms=moved(record.lower_since_ms, delays_ms),
        shelf_end_ms=end_ms,
        shelved_ms=moved(record.shelved_ms, before_ms),
        raised_ms=moved(raised_ms, max(before_ms, delays_ms)),
        named_ms=named_ms,
    )


EVENT_OF: dict[Reason, EventKind] = {
    Reason.RAISED: "raised",
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
