"""The book of alarms of one tank: findings in, events out, state that survives a kill.

The states and the pure transition function are in `rushlight.analysis.alarms.states`, the words in
`rushlight.analysis.alarms.wording`. A shelf ends an alarm's hold on a person, not its condition: where that
goes while shelved, `cleared` is still sent; if it is there when the shelf ends, the alarm is `unshelved` and
raised again under a new occurrence. So between two `raised` of one alarm there is a `cleared` or a `shelved`.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
from msgspec.structs import replace

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.alarms.states import (
    EVENT_OF,
    MAX_SHELF_MS,
    RAISED_STATES,
    SILENCED_STATES,
    AlarmRecord,
    AlarmState,
    Input,
    Reason,
    Step,
    put_back,
    step,
)
from rushlight.analysis.alarms.wording import compose, utc_text
from rushlight.analysis.findings import Finding
from rushlight.collector.errors import AlarmError, StoreError
from rushlight.collector.events import AlarmKey, Event

__all__ = ["AlarmBook"]


class _BookState(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """As it is saved. People's shelves must outlive an upgrade: a field that is added begins with its
    default, and where one is gone or renamed the whole is not read, so that nothing is misread in silence.
    """

    now_ms: int = 0
    records: list[AlarmRecord] = []


class AlarmBook:
    """All alarms of one tank.

    Parameters
    ----------
    tank, title : str
        The tank's key in the settings and its name for people.

    Attributes
    ----------
    changed : bool
        Set by any change worth storing, running delays included; whoever stores `to_bytes()` resets it.
    """

    def __init__(self, tank: str, title: str = "") -> None:
        self.tank = tank
        self.title = title or tank
        self.changed = False
        self._records: dict[AlarmKey, AlarmRecord] = {}
        # those that the next update or tick may move: everything else costs nothing
        self._awake: set[AlarmKey] = set()
        self._shelved: set[AlarmKey] = set()
        self._latest: dict[AlarmKey, Finding] = {}
        self._now_ms = 0

    def update(
        self, findings: Sequence[Finding], now_ms: int, reading_time_ms: int | None = None
    ) -> list[Event]:
        """Take the complete list of findings for this tank now; return what that changes.

        Parameters
        ----------
        findings : sequence of Finding
            All of this tank, after diagnosis; an alarm that is not among them is taken as gone.
        now_ms : int
            Clock of the delays; a step back is taken as no time passing, until `put_back` says that it is
            the clock's.
        reading_time_ms : int, optional
            Time of the reading behind it, the events' `time`; `now_ms` otherwise.
        """
        if not findings and not self._awake:
            return []
        now_ms = self._now_ms = max(now_ms, self._now_ms)
        time_ms = now_ms if reading_time_ms is None else reading_time_ms
        events: list[Event] = []
        seen: set[AlarmKey] = set()
        for finding in findings:
            key = (self.tank, finding.alarm, finding.quantity)
            seen.add(key)
            record = self._records.get(key)
            if record is not None and record.standing and self._steady(record, finding):
                self._latest[key] = finding
                continue
            if record is None:
                rationale_for(finding.alarm)
                if finding.holding:
                    continue
                record = AlarmRecord(alarm=finding.alarm, quantity=finding.quantity)
            kind = Input.HOLDING if finding.holding else Input.PRESENT
            self._latest[key] = finding
            events += self._move(key, record, Step(kind, finding), now_ms, time_ms)
        gone = self._awake - seen
        for key in sorted(gone) if gone else ():
            events += self._move(key, self._records[key], Step(Input.ABSENT), now_ms, time_ms)
        return events + self._shelves(now_ms, time_ms) if self._shelved else events

    def tick(self, now_ms: int) -> list[Event]:
        """Let time pass: ends shelves and on-delays. Nothing is cleared here: that needs a judgement."""
        if not self._awake:
            return []
        now_ms = self._now_ms = max(now_ms, self._now_ms)
        events: list[Event] = []
        for key in sorted(self._awake):
            events += self._move(key, self._records[key], Step(Input.TICK), now_ms, now_ms)
        return events

    def put_back(self, now_ms: int) -> None:
        """The clock was put back to `now_ms`: delays and shelves go on from there, see `alarm_states`."""
        before_ms, self._now_ms = self._now_ms, min(self._now_ms, now_ms)
        if before_ms > now_ms:
            self._records = {key: put_back(r, before_ms, now_ms) for key, r in self._records.items()}
            self.changed = True

    def acknowledge(self, key: AlarmKey, now_ms: int, actor: str) -> list[Event]:
        """A person has seen it. Doing it twice is no fault.

        Raises
        ------
        AlarmError
            If the alarm is not raised.
        """
        record = self._records.get(key)
        if record is None or record.state is AlarmState.NORMAL:
            raise AlarmError(f"{_name(key)}: is not raised, so there is nothing to acknowledge")
        return self._by_person(key, Step(Input.ACKNOWLEDGE), now_ms, actor)

    def shelve(self, key: AlarmKey, until_ms: int, now_ms: int, actor: str) -> list[Event]:
        """Silence one alarm until a time, at most `MAX_SHELF_MS` away.

        Raises
        ------
        AlarmError
            If the time has passed or is too far away, or the alarm is unknown or out of service.
        """
        if until_ms <= now_ms:
            raise AlarmError(
                f"{_name(key)}: the shelf's end {utc_text(until_ms)} has passed; give a later one"
            )
        if until_ms - now_ms > MAX_SHELF_MS:
            raise AlarmError(f"{_name(key)}: a shelf lasts at most 7 days; give an earlier end")
        record = self._records.get(key)
        if record is not None and record.state is AlarmState.OUT_OF_SERVICE:
            raise AlarmError(f"{_name(key)}: is out of service; return it to service first")
        return self._by_person(key, Step(Input.SHELVE, until_ms=until_ms), now_ms, actor)

    def unshelve(self, key: AlarmKey, now_ms: int, actor: str) -> list[Event]:
        """End a shelf early; raised again at once if its condition is still there. No fault where none is."""
        return self._by_person(key, Step(Input.UNSHELVE), now_ms, actor)

    def out_of_service(self, key: AlarmKey, now_ms: int, actor: str) -> list[Event]:
        """Take one alarm out of service until `return_to_service` (event `shelved` with no `until`)."""
        return self._by_person(key, Step(Input.REMOVE), now_ms, actor)

    def return_to_service(self, key: AlarmKey, now_ms: int, actor: str) -> list[Event]:
        """End that (event `unshelved`); raised again at once if its condition is still there."""
        return self._by_person(key, Step(Input.RETURN), now_ms, actor)

    def records(self) -> dict[AlarmKey, AlarmRecord]:
        """Every alarm that is not plainly normal, with its latest finding."""
        return {
            key: replace(record, finding=self._latest.get(key, record.finding))
            for key, record in self._records.items()
            if record.state is not AlarmState.NORMAL
        }

    @property
    def as_of_ms(self) -> int:
        """When the book was last judged (ms UTC): what its findings' time left counts from."""
        return self._now_ms

    def standing(self) -> set[str]:
        """Names of the alarms whose condition is there, whatever people have done about them; cheap."""
        return {key[1] for key in self._awake if self._records[key].standing}

    def pending(self) -> dict[AlarmKey, int]:
        """Since when (ms UTC) what is present and, for its on-delay, not raised yet has been so."""
        return {
            key: record.present_since_ms
            for key in self._awake
            if (record := self._records[key]).present_since_ms is not None and not record.standing
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
        return msgspec.msgpack.encode(_BookState(now_ms=self._now_ms, records=records))

    @classmethod
    def restore(cls, tank: str, title: str, data: bytes) -> AlarmBook:
        """A book as it was; StoreError where the bytes can't be read."""
        try:
            state = msgspec.msgpack.decode(data, type=_BookState)
        except msgspec.MsgspecError as error:
            raise StoreError(f"alarm state of {tank}: can't be read ({error}); start without it") from None
        book = cls(tank, title)
        book._now_ms = state.now_ms
        for record in state.records:
            key = (tank, record.alarm, record.quantity)
            book._keep(key, record)
            if record.finding is not None:
                book._latest[key] = record.finding
        return book

    def _steady(self, record: AlarmRecord, finding: Finding) -> bool:
        return (
            record.absent_since_ms is None
            and record.lower_since_ms is None
            and record.state in RAISED_STATES
            and finding.priority == record.priority
        )

    def _by_person(self, key: AlarmKey, given: Step, now_ms: int, actor: str) -> list[Event]:
        if key[0] != self.tank:
            raise AlarmError(f"{_name(key)}: is not of tank {self.tank}")
        try:
            rationale_for(key[1])
        except KeyError as error:
            raise AlarmError(str(error.args[0])) from None
        now_ms = self._now_ms = max(now_ms, self._now_ms)
        record = self._records.get(key, AlarmRecord(alarm=key[1], quantity=key[2]))
        return self._move(key, record, given, now_ms, now_ms, actor)

    def _shelves(self, now_ms: int, time_ms: int) -> list[Event]:
        events: list[Event] = []
        for key in sorted(self._shelved):
            end = self._records[key].shelf_end_ms
            if end is not None and now_ms >= end:
                events += self._move(key, self._records[key], Step(Input.TICK), now_ms, time_ms)
        return events

    def _keep(self, key: AlarmKey, record: AlarmRecord) -> None:
        if record.state is AlarmState.SHELVED:
            self._shelved.add(key)
        else:
            self._shelved.discard(key)
        if record.standing or record.present_since_ms is not None or record.state is AlarmState.SHELVED:
            self._awake.add(key)
        else:
            self._awake.discard(key)
            latest = self._latest.pop(key, None)
            if latest is not None:
                record = replace(record, finding=latest)
        self._records[key] = record

    def _move(
        self, key: AlarmKey, before: AlarmRecord, given: Step, now_ms: int, time_ms: int, actor: str = ""
    ) -> list[Event]:
        after, reason = step(before, given, now_ms)
        if after is before:
            return []
        latest = self._latest.get(key, before.finding)
        self.changed = True
        if reason is Reason.RAISED:
            # one occurrence a raising, even for two in one millisecond or with time stepping back
            raised_ms = time_ms if before.raised_ms is None else max(time_ms, before.raised_ms + 1)
            named_ms = None if before.named_ms is None else max(raised_ms, before.named_ms + 1)
            name = f"{_name(key)}/{utc_text(raised_ms if named_ms is None else named_ms)}"
            after = replace(after, raised_ms=raised_ms, named_ms=named_ms, occurrence=name, finding=latest)
        if reason is Reason.CLEARED:
            after = replace(after, finding=latest)
        self._keep(key, after)
        kind = EVENT_OF.get(reason)
        if kind is None:
            return []
        events = [compose(kind, key, self.title, before, after, latest, time_ms, actor)]
        if kind == "unshelved" and after.standing:
            # its condition is still there: the shelf hid it, so it is raised again
            events += self._move(key, after, Step(Input.TICK), now_ms, time_ms)
        return events


def _name(key: AlarmKey) -> str:
    return "/".join(part for part in key if part)
