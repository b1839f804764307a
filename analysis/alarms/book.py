"""The book of alarms of one tank: findings in, events out, state that survives a kill.

The states and the pure transition function are in `rushlight.analysis.alarms.states`, the words in
`rushlight.analysis.alarms.wording`. A shelf ends an alarm's hold on a person, not its condition: where that
goes while shelved, `cleared` is still sent; if it is there when the shelf ends, the alarm is `unshelved` and
raised again under a new occurrence. So between two `raised` of one alarm there is a `cleared` or a `shelved`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rushlight.analysis.alarms.endings import ended_by
from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.alarms.records import AlarmRecords, alarm_name
from rushlight.analysis.alarms.states import (
    BY_CLOCK,
    MAX_SHELF_MS,
    AlarmRecord,
    AlarmState,
    Input,
    Step,
)
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.findings import Finding
from rushlight.collector.errors import AlarmError
from rushlight.collector.events import AlarmKey, Event

__all__ = ["AlarmBook"]


class AlarmBook(AlarmRecords):
    """All alarms of one tank.

    Two times go on beside each other. Delays of what the readings show are measured by the readings' time:
    what a board had kept and sends at once takes as long in it as it took in the tank. Shelves, answers and
    a device's silence are measured by the clock.

    Parameters and attributes: see `AlarmRecords`.
    """

    def update(
        self,
        findings: Sequence[Finding],
        now_ms: int,
        reading_time_ms: int | None = None,
        arrived_ms: int | None = None,
        unjudged: Callable[[str], str] = lambda alarm: "",
    ) -> list[Event]:
        """Take the complete list of findings for this tank now; return what that changes.

        Parameters
        ----------
        findings : sequence of Finding
            All that the readings show, after diagnosis; an alarm that is not among them is taken as gone.
        now_ms : int
            Time of the readings, by which their delays go; a step back is taken as no time passing, until
            `put_back` says that it is the clock's.
        reading_time_ms : int, optional
            Time of the reading behind it, the events' `time`; `now_ms` otherwise.
        arrived_ms : int, optional
            What the clock said when it came; `now_ms` otherwise.
        unjudged : callable, optional
            Of an alarm: what the settings lack to judge it, "" where it is judged.
        """
        if not findings and not self._awake:
            return []
        now_ms = self._judged_ms = max(now_ms, self._judged_ms)
        time_ms = now_ms if reading_time_ms is None else reading_time_ms
        clock_ms = self._now_ms = max(now_ms if arrived_ms is None else arrived_ms, self._now_ms)
        events: list[Event] = []
        seen: set[AlarmKey] = set()
        for finding in findings:
            seen.add((self.tank, finding.alarm, finding.quantity))
            events += self._found(finding, now_ms, time_ms)
        gone = self._awake - seen
        for key in sorted(gone) if gone else ():
            at_ms, said_ms = (clock_ms, clock_ms) if key[1] in BY_CLOCK else (now_ms, time_ms)
            ended = ended_by(key[1], findings) or unjudged(key[1])
            given = Step(Input.ABSENT, unseen=bool(ended))
            events += self._move(key, self._records[key], given, at_ms, said_ms, ended=ended)
        return events + self._shelves(clock_ms) if self._shelved else events

    def without_readings(self, finding: Finding, now_ms: int) -> list[Event]:
        """Take one finding that is judged by the clock (`BY_CLOCK`); it says nothing of the others."""
        now_ms = self._now_ms = max(now_ms, self._now_ms)
        return self._found(finding, now_ms, now_ms)

    def tick(self, now_ms: int, readings_ms: int | None = None) -> list[Event]:
        """Let time pass: ends shelves and on-delays. Nothing is cleared here: that needs a judgement.

        Parameters
        ----------
        now_ms : int
            What the clock says.
        readings_ms : int, optional
            How far the readings have come by now, with what has passed since the last one: on-delays go by
            it. While kept readings are still coming in it is behind the clock. `now_ms` otherwise.
        """
        if not self._awake:
            return []
        now_ms = self._now_ms = max(now_ms, self._now_ms)
        until_ms = now_ms if readings_ms is None else readings_ms
        events: list[Event] = []
        for key in sorted(self._awake):
            record = self._records[key]
            shelf_over = record.shelf_end_ms is not None and now_ms >= record.shelf_end_ms
            at_ms = now_ms if shelf_over or key[1] in BY_CLOCK else until_ms
            events += self._move(key, record, Step(Input.TICK), at_ms, now_ms)
        return events

    def acknowledge(self, key: AlarmKey, now_ms: int, actor: str) -> list[Event]:
        """A person has seen it. Doing it twice is no fault.

        Raises
        ------
        AlarmError
            If the alarm is not raised.
        """
        record = self._records.get(key)
        if record is None or record.state is AlarmState.NORMAL:
            raise AlarmError(f"{alarm_name(key)}: is not raised, so there is nothing to acknowledge")
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
                f"{alarm_name(key)}: the shelf's end {utc_text(until_ms)} has passed; give a later one"
            )
        if until_ms - now_ms > MAX_SHELF_MS:
            raise AlarmError(f"{alarm_name(key)}: a shelf lasts at most 7 days; give an earlier end")
        record = self._records.get(key)
        if record is not None and record.state is AlarmState.OUT_OF_SERVICE:
            raise AlarmError(f"{alarm_name(key)}: is out of service; return it to service first")
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

    def _by_person(self, key: AlarmKey, given: Step, now_ms: int, actor: str) -> list[Event]:
        if key[0] != self.tank:
            raise AlarmError(f"{alarm_name(key)}: is not of tank {self.tank}")
        try:
            rationale_for(key[1])
        except KeyError as error:
            raise AlarmError(str(error.args[0])) from None
        now_ms = self._now_ms = max(now_ms, self._now_ms)
        record = self._records.get(key, AlarmRecord(alarm=key[1], quantity=key[2]))
        return self._move(key, record, given, now_ms, now_ms, actor)

    def _shelves(self, now_ms: int) -> list[Event]:
        events: list[Event] = []
        for key in sorted(self._shelved):
            end = self._records[key].shelf_end_ms
            if end is not None and now_ms >= end:
                events += self._move(key, self._records[key], Step(Input.TICK), now_ms, now_ms)
        return events
