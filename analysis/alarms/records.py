"""The records of one tank's alarms: moved by one input at a time, saved and read back."""

from __future__ import annotations

from typing import Self

import msgspec
from msgspec.structs import replace

from rushlight.analysis.alarms.clock_put_back import put_back
from rushlight.analysis.alarms.endings import RAISED_ANEW
from rushlight.analysis.alarms.rationale import ANY, Equipment, rationale_for
from rushlight.analysis.alarms.reasons import EVENT_OF, Reason
from rushlight.analysis.alarms.returns import is_news
from rushlight.analysis.alarms.states import (
    BY_CLOCK,
    RAISED_STATES,
    SILENCED_STATES,
    AlarmRecord,
    AlarmState,
    Input,
    Step,
    step,
)
from rushlight.analysis.alarms.wording import compose, utc_text
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.findings import Finding
from rushlight.collector.errors import StoreError
from rushlight.collector.events import AlarmKey, Event, EventKind

__all__ = ["AlarmRecords", "alarm_name"]


class _BookState(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """As it is saved. People's shelves must outlive an upgrade: a field that is added begins with its
    default, and where one is gone or renamed the whole is not read, so that nothing is misread in silence.
    """

    now_ms: int = 0
    records: list[AlarmRecord] = []
    judged_ms: int = 0


class AlarmRecords:
    """All alarms of one tank, and the two times that they are measured by: see `AlarmBook`.

    Parameters
    ----------
    tank, title : str
        The tank's key in the settings and its name for people.
    has : Equipment
        What the tank has: its alarms' steps are for that.
    timezone : str
        Of the times that people read.

    Attributes
    ----------
    changed : bool
        Set by any change worth storing, running delays included; whoever stores `to_bytes()` resets it.
    """

    def __init__(self, tank: str, title: str = "", has: Equipment = ANY, timezone: str = "UTC") -> None:
        self.tank = tank
        self.title = title or tank
        self.has = has
        self.clock = LocalClock(timezone)
        self.changed = False
        self._records: dict[AlarmKey, AlarmRecord] = {}
        # those that the next update or tick may move: everything else costs nothing
        self._awake: set[AlarmKey] = set()
        self._shelved: set[AlarmKey] = set()
        self._latest: dict[AlarmKey, Finding] = {}
        self._now_ms = 0  # of the clock
        self._judged_ms = 0  # of the readings

    def put_back(self, now_ms: int) -> None:
        """The clock was put back to `now_ms`: delays and shelves go on from there, see `clock_put_back`."""
        clock_ms, self._now_ms = self._now_ms, min(self._now_ms, now_ms)
        judged_ms, self._judged_ms = self._judged_ms, min(self._judged_ms, now_ms)
        if max(clock_ms, judged_ms) <= now_ms:
            return
        for key, record in self._records.items():
            delays_ms = clock_ms if key[1] in BY_CLOCK else judged_ms
            self._records[key] = put_back(record, clock_ms, now_ms, delays_ms)
        self.changed = True

    def records(self) -> dict[AlarmKey, AlarmRecord]:
        """Every alarm that is not plainly normal, with its latest finding."""
        return {
            key: replace(record, finding=self._latest.get(key, record.finding))
            for key, record in self._records.items()
            if record.state is not AlarmState.NORMAL
        }

    @property
    def as_of_ms(self) -> int:
        """Time of the readings that were judged last (ms UTC): what its findings' time left counts from."""
        return self._judged_ms

    @property
    def latest_ms(self) -> int:
        """The latest time that it has been given (ms UTC)."""
        return max(self._now_ms, self._judged_ms)

    @property
    def asleep(self) -> bool:
        """Whether nothing is active, on its way or shelved: no time that passes changes anything."""
        return not self._awake

    def standing(self) -> set[str]:
        """Names of the alarms whose condition is there, whatever people have done about them; cheap.

        What is kept open because it comes and goes is not among them while it is away.
        """
        return {key[1] for key in self._awake if self._records[key].standing}

    def pending(self) -> dict[AlarmKey, int]:
        """Since when (ms UTC) what is present and, for its on-delay, not raised yet has been so."""
        return {
            key: record.present_since_ms
            for key in self._awake
            if (record := self._records[key]).present_since_ms is not None
            and not (record.standing or record.away)
        }

    def silenced(self) -> set[tuple[str, str]]:
        """(alarm, quantity) of what a person has shelved or taken out of service."""
        return {key[1:] for key, record in self._records.items() if record.state in SILENCED_STATES}

    def to_bytes(self) -> bytes:
        """The whole book, to be stored in the transaction of its events."""
        records = [
            replace(record, finding=self._latest.get(key, record.finding))
            for key, record in sorted(self._records.items())
        ]
        return msgspec.msgpack.encode(
            _BookState(now_ms=self._now_ms, records=records, judged_ms=self._judged_ms)
        )

    @classmethod
    def restore(cls, tank: str, title: str, data: bytes, has: Equipment = ANY, timezone: str = "UTC") -> Self:
        """A book as it was; StoreError where the bytes can't be read."""
        try:
            state = msgspec.msgpack.decode(data, type=_BookState)
        except msgspec.MsgspecError as error:
            raise StoreError(f"alarm state of {tank}: can't be read ({error}); start without it") from None
        book = cls(tank, title, has, timezone)
        book._now_ms, book._judged_ms = state.now_ms, state.judged_ms
        for record in state.records:
            key = (tank, record.alarm, record.quantity)
            book._keep(key, record)
        return book

    def _found(self, finding: Finding, now_ms: int, time_ms: int) -> list[Event]:
        key = (self.tank, finding.alarm, finding.quantity)
        record = self._records.get(key)
        if record is not None and record.standing and self._steady(record, finding, now_ms):
            self._latest[key] = finding
            return []
        if record is None:
            rationale_for(finding.alarm)
            if finding.holding:
                return []
            record = AlarmRecord(alarm=finding.alarm, quantity=finding.quantity)
        kind = Input.HOLDING if finding.holding else Input.PRESENT
        self._latest[key] = finding
        return self._move(key, record, Step(kind, finding), now_ms, time_ms)

    def _steady(self, record: AlarmRecord, finding: Finding, now_ms: int) -> bool:
        return (
            record.absent_since_ms is None
            and record.lower_since_ms is None
            and record.state in RAISED_STATES
            and finding.priority == record.priority
            and not is_news(record.returns, record.alarm, finding, now_ms)
        )

    def _keep(self, key: AlarmKey, record: AlarmRecord) -> None:
        if record.state is AlarmState.SHELVED:
            self._shelved.add(key)
        else:
            self._shelved.discard(key)
        there = record.standing or record.open or record.present_since_ms is not None
        if there or record.state is AlarmState.SHELVED:
            self._awake.add(key)
        else:
            self._awake.discard(key)
            latest = self._latest.pop(key, None)
            if latest is not None:
                record = replace(record, finding=latest)
        self._records[key] = record

    def _move(
        self,
        key: AlarmKey,
        before: AlarmRecord,
        given: Step,
        now_ms: int,
        time_ms: int,
        actor: str = "",
        ended: Finding | str | None = None,
    ) -> list[Event]:
        after, reason = step(before, given, now_ms)
        if after is before:
            return []
        latest = self._latest.get(key, before.finding)
        self.changed = True
        events: list[Event] = []
        if reason is Reason.RAISED_ANEW:
            events.append(self._event("cleared", key, before, before, latest, time_ms, ended=RAISED_ANEW))
        if reason in (Reason.RAISED, Reason.RAISED_ANEW):
            # one occurrence a raising, even for two in one millisecond or with time stepping back
            raised_ms = time_ms if before.raised_ms is None else max(time_ms, before.raised_ms + 1)
            named_ms = None if before.named_ms is None else max(raised_ms, before.named_ms + 1)
            name = f"{alarm_name(key)}/{utc_text(raised_ms if named_ms is None else named_ms)}"
            after = replace(after, raised_ms=raised_ms, named_ms=named_ms, occurrence=name, finding=latest)
        self._keep(key, after)
        kind = EVENT_OF.get(reason)
        if kind is None:
            return []
        events.append(self._event(kind, key, before, after, latest, time_ms, actor, ended))
        if kind == "unshelved" and after.standing:
            # its condition is still there: the shelf hid it, so it is raised again
            events += self._move(key, after, Step(Input.TICK), now_ms, time_ms)
        return events

    def _event(
        self,
        kind: EventKind,
        key: AlarmKey,
        before: AlarmRecord,
        after: AlarmRecord,
        latest: Finding | None,
        time_ms: int,
        actor: str = "",
        ended: Finding | str | None = None,
    ) -> Event:
        return compose(
            kind, key, self.title, before, after, latest, time_ms, actor, self.has, self.clock, ended
        )


def alarm_name(key: AlarmKey) -> str:
    return "/".join(part for part in key if part)
