"""The alarm state machine of ANSI/ISA-18.2 and IEC 62682: a record and an input give the next record and why.

Of the standard's states "latched" and "suppressed by design" are not used.

    normal --condition, on-delay--> unacknowledged --acknowledge--> acknowledged
       ^                              |      ^                          |
       |                 gone, off-delay     condition again            gone, off-delay
       |                              v      |                          |
       +<------acknowledge--- returned to normal unacknowledged         |
       +<---------------------------------------------------------------+
    from any: shelved (until a time) and out of service (until a person ends it)

"gone" has a longer delay for what comes and goes: see `rushlight.analysis.alarms.returns`.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.alarms.reasons import Reason
from rushlight.analysis.alarms.returns import FRESH, Returns, answered_as, asks_again, is_kept
from rushlight.analysis.findings import Finding
from rushlight.collector.events import PRIORITY_RANK, Priority

__all__ = [
    "BY_CLOCK",
    "MAX_SHELF_MS",
    "PRIORITY_HOLD_MS",
    "RAISED_STATES",
    "SILENCED_STATES",
    "AlarmRecord",
    "AlarmState",
    "Input",
    "Step",
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


class AlarmRecord(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """All that is known of one alarm; times in ms UTC.

    `standing` is the condition behind both delays, tracked in every state. `occurrence` is the raising that
    is open or was the last; `open` says which. A shelf ends an occurrence's hold on a person but not the
    occurrence: it is cleared when its condition goes, or replaced when the alarm is raised again.
    Open and not standing, its condition is away and it is kept open: it comes and goes (`returns`).
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
    returns: Returns = FRESH

    @property
    def away(self) -> bool:
        """Whether it is raised although its condition is not there: it comes and goes."""
        return self.open and not self.standing and self.state in RAISED_STATES


class Step(NamedTuple):
    """An input with what belongs to it; `unseen`: of what is absent, it is not known to be gone."""

    kind: Input
    finding: Finding | None = None
    until_ms: int | None = None
    unseen: bool = False


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
            return _raised(record), Reason.RAISED
        return record, Reason.NONE
    if kind is Input.ACKNOWLEDGE:
        if record.state is AlarmState.UNACKNOWLEDGED:
            return replace(record, state=AlarmState.ACKNOWLEDGED), Reason.ACKNOWLEDGED
        if record.state is AlarmState.RETURNED_UNACKNOWLEDGED:
            return replace(record, state=AlarmState.NORMAL), Reason.ACKNOWLEDGED
    elif kind is Input.SHELVE and given.until_ms is not None:
        if record.state is not AlarmState.OUT_OF_SERVICE and given.until_ms > now_ms:
            shelved = replace(
                record,
                state=AlarmState.SHELVED,
                shelf_end_ms=given.until_ms,
                shelved_ms=now_ms,
                returns=FRESH,  # a person has dealt with it: afterwards it is told of as ever
            )
            return shelved, Reason.SHELVED
    elif kind is Input.UNSHELVE and record.state is AlarmState.SHELVED:
        return replace(record, state=AlarmState.NORMAL, shelf_end_ms=None), Reason.UNSHELVED
    elif kind is Input.REMOVE and record.state is not AlarmState.OUT_OF_SERVICE:
        removed = replace(record, state=AlarmState.OUT_OF_SERVICE, shelf_end_ms=None, shelved_ms=now_ms)
        return replace(removed, returns=FRESH), Reason.REMOVED
    elif kind is Input.RETURN and record.state is AlarmState.OUT_OF_SERVICE:
        return replace(record, state=AlarmState.NORMAL), Reason.RETURNED
    return record, Reason.NONE


def _condition(record: AlarmRecord, given: Step, now_ms: int) -> tuple[AlarmRecord, Reason]:
    if given.kind is Input.ABSENT:
        return _absent(record, given.unseen, now_ms)
    finding = given.finding
    if record.standing:
        reason = Reason.NONE
        if record.absent_since_ms is not None:
            record, reason = replace(record, absent_since_ms=None), Reason.PENDING
        if given.kind is Input.PRESENT and record.returns.often and record.state in RAISED_STATES:
            if _is_worse(record, finding, now_ms):
                return _raised_anew(record, finding)
            returns = record.returns.seen(record.alarm, finding)
            if returns is not record.returns:
                record, reason = replace(record, returns=returns), Reason.PENDING
        return _priority(record, finding, now_ms, reason)
    if given.kind is Input.HOLDING:
        # the deadband keeps what is raised and what is on its way, but begins nothing
        if record.present_since_ms is None:
            return record, Reason.NONE
        return _rise(replace(record, finding=finding), now_ms)
    since = now_ms if record.present_since_ms is None else record.present_since_ms
    return _rise(replace(record, finding=finding, present_since_ms=since), now_ms)


def _absent(record: AlarmRecord, unseen: bool, now_ms: int) -> tuple[AlarmRecord, Reason]:
    """Its condition is not there; or nobody can see it, which ends it and counts as no going."""
    if not record.standing:
        before = record
        if record.present_since_ms is not None:
            record = replace(record, present_since_ms=None)
        if record.open:
            gone_ms = record.returns.gone_ms
            over = gone_ms is None or now_ms - gone_ms >= record.returns.keep_ms
            if unseen or over or not record.away:
                return _ended(replace(record, returns=FRESH) if unseen else record), Reason.CLEARED
        return record, Reason.NONE if record is before else Reason.PENDING
    since = now_ms if record.absent_since_ms is None else record.absent_since_ms
    if now_ms - since < rationale_for(record.alarm).off_delay_s * 1000:
        if record.absent_since_ms is not None:
            return record, Reason.NONE
        return replace(record, absent_since_ms=since), Reason.PENDING
    counted = record.open and record.state in RAISED_STATES and not unseen
    gone = replace(
        record,
        standing=False,
        present_since_ms=None,
        absent_since_ms=None,
        lower_since_ms=None,
        returns=record.returns.went(since) if counted else FRESH,
    )
    if counted and is_kept(gone.alarm, gone.returns) and now_ms - since < gone.returns.keep_ms:
        return gone, Reason.PENDING
    return _ended(gone), Reason.CLEARED if record.open else Reason.PENDING


def _ended(record: AlarmRecord) -> AlarmRecord:
    state = record.state
    if state is AlarmState.UNACKNOWLEDGED:
        state = AlarmState.RETURNED_UNACKNOWLEDGED
    elif state is AlarmState.ACKNOWLEDGED:
        state = AlarmState.NORMAL
    return replace(record, state=state, open=False)


def _rise(record: AlarmRecord, now_ms: int) -> tuple[AlarmRecord, Reason]:
    delay_ms = rationale_for(record.alarm).on_delay_s * 1000
    since_ms = record.present_since_ms
    if since_ms is None or now_ms - since_ms < delay_ms:
        return record, Reason.PENDING
    away, silenced = record.away, record.state in SILENCED_STATES
    goes_on = record.returns.goes_on(since_ms, record.raised_ms)
    if record.state is AlarmState.ACKNOWLEDGED:
        goes_on = goes_on and not asks_again(record.alarm, record.returns, since_ms)
        record = replace(record, priority=answered_as(record.priority, record.returns, since_ms))
    record = replace(
        record,
        standing=True,
        absent_since_ms=None,
        lower_since_ms=None,
        returns=FRESH if silenced else record.returns.came(since_ms),
    )
    if away:
        record = replace(record, returns=replace(record.returns, again=record.returns.again + 1))
        if not goes_on or _is_worse(record, record.finding, now_ms):
            return _raised_anew(record, record.finding)
        return record, Reason.PENDING
    record = replace(record, priority=_priority_of(record.alarm, record.finding))
    return (record, Reason.PENDING) if silenced else (_raised(record), Reason.RAISED)


def _raised(record: AlarmRecord) -> AlarmRecord:
    returns = record.returns.raised()
    if returns.often:
        returns = returns.seen(record.alarm, record.finding)
    return replace(record, state=AlarmState.UNACKNOWLEDGED, open=True, returns=returns)


def _is_worse(record: AlarmRecord, finding: Finding | None, now_ms: int) -> bool:
    higher = PRIORITY_RANK[_priority_of(record.alarm, finding)] > PRIORITY_RANK[record.priority]
    return record.returns.again > 0 and (higher or record.returns.is_worse(record.alarm, finding, now_ms))


def _raised_anew(record: AlarmRecord, finding: Finding | None) -> tuple[AlarmRecord, Reason]:
    priority = _priority_of(record.alarm, finding)
    record = replace(record, priority=priority, lower_since_ms=None, finding=finding)
    return _raised(record), Reason.RAISED_ANEW


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
    # the priority of what comes and goes does so as well
    kept = is_kept(record.alarm, record.returns)
    hold_ms = max(PRIORITY_HOLD_MS, record.returns.keep_ms if kept else 0)
    if now_ms - record.lower_since_ms < hold_ms:
        return record, reason
    record = replace(record, priority=wanted, lower_since_ms=None, finding=finding)
    return record, Reason.LOWERED_PRIORITY if record.state not in SILENCED_STATES else Reason.PENDING


def _priority_of(alarm: str, finding: Finding | None) -> Priority:
    row = rationale_for(alarm)
    wanted = row.priority if finding is None else finding.priority
    return max(wanted, row.least_priority, key=PRIORITY_RANK.__getitem__)
