"""One tank under watch: frames, detectors, diagnosis, alarms. The live service and `replay` both run this.

Time is what the readings say, or what the caller passes to `tick`; nothing here reads a clock.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from typing import TypeVar

import msgspec

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import equipment_of
from rushlight.analysis.detectors.frames import FRAME_MS, Frame, follow
from rushlight.analysis.detectors.moment import GasFacts, Moment, Tank
from rushlight.analysis.detectors.power.silence import SilenceDetector
from rushlight.analysis.detectors.registry import Family, in_order, owner_of
from rushlight.analysis.estimators.clock_step import moved_back
from rushlight.analysis.estimators.numbers import CLOCK
from rushlight.analysis.findings import Finding
from rushlight.analysis.watch.diagnosis import diagnose
from rushlight.analysis.watch.families import FAMILIES
from rushlight.analysis.watch.snapshot import book_in, pack, state_in, version_of
from rushlight.analysis.watch.state import WatchState
from rushlight.analysis.watch.unjudged import unjudged
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["FAMILIES", "TankWatch", "WatchState"]

FIVE_MINUTES_MS = 300_000
Failed = Callable[[str, int, Exception], None]
"""Called when a detector failed: its name, the frame's time (ms UTC), the error."""

_Kind = TypeVar("_Kind")


class TankWatch:
    """The analysis of one tank.

    Attributes
    ----------
    book : AlarmBook
        Its alarms; people act on it through the service.
    state : WatchState
    families : list of Family
        In the order in which they judge.
    silence_limit_ms : int
        A device that is silent for longer is reported.
    moment : Moment or None
        The newest frame and what was found out about it; for whoever looks on
        (`rushlight.analysis.replay.beliefs`).
    clocked : bool
        Whether `follow_clock` is given a clock; otherwise the readings' times are all there is.
    failed : callable or None
        Called when a detector failed; the others go on then, and what the failed one had found is kept. By
        default the error is raised.
    """

    def __init__(
        self, name: str, settings: TankSettings, families: Sequence[type[Family]] = FAMILIES
    ) -> None:
        self.tank = Tank(name, settings)
        self.book = AlarmBook(name, settings.title, equipment_of(settings), settings.timezone)
        self.state = WatchState()
        self._kinds = in_order(families)
        self._owners = owner_of(families)
        self._version = version_of(WatchState, tuple(families))
        self.families: list[Family] = [kind() for kind in self._kinds]
        self.moment: Moment | None = None
        self.failed: Failed | None = None
        self.clocked = False
        self._no_gas = GasFacts()  # until the gas family has said what it sees, in each frame
        self._active: set[str] = set()
        self.silence_limit_ms = SilenceDetector.limit_ms(self.tank)
        self._wire()

    def _wire(self) -> None:
        """Bound methods of the hot path; again after a restore."""
        self._frames = self.state.frames
        self._frames.clocked = self.clocked
        self._silence = self.state.silence
        recalled = {place for family in self.families for place in family.recalls}
        self._why = functools.partial(unjudged, self.families, self.tank)
        self._recall = [family.recall for family in self.families if family.place in recalled]

    def of(self, kind: type[_Kind]) -> _Kind:
        """The family of that type.

        Raises
        ------
        LookupError
            The watch has none.
        """
        for family in self.families:
            if isinstance(family, kind):
                return family
        raise LookupError(f"no family {kind.__name__} here")

    def beliefs(self) -> dict[str, float]:
        """What the families judged the newest frame by; empty before there is one. Names carry their unit."""
        moment = self.moment
        if moment is None:
            return {}
        said: dict[str, float] = {}
        for family in self.families:
            found = family.beliefs(self.tank, moment)
            said |= {name: float(value) for name, value in found.items() if value is not None}
        return said

    def feed(self, reading: Reading, arrived_ms: int | None = None) -> list[Event]:
        """Take one flagged reading in order of arrival; what changes by it.

        The deadline of silence is looked at first: a gap is noticed at the time when it became one. Silence
        is judged by `arrived_ms` (ms UTC), by the reading's own time where that is not known.
        """
        time_ms = reading.time_ms
        heard_ms = time_ms if arrived_ms is None else arrived_ms
        return self.take(reading.quantity, time_ms, reading.value, reading.flag, reading.stamp, heard_ms)

    def take(
        self, quantity: str, time_ms: int, value: float | None, flag: int, stamp: int, heard_ms: int
    ) -> list[Event]:
        """The same of the fields of a reading, for a caller in a hurry."""
        silence = self._silence
        events: list[Event] = []
        if heard_ms > silence.last_ms:
            if silence.standing or silence.awaited or heard_ms - silence.last_ms > self.silence_limit_ms:
                events = self._heard(heard_ms, time_ms)
            silence.last_ms = heard_ms
        frames = self._frames
        frame = frames.take(quantity, time_ms, value, flag, stamp)
        if frame is not None:
            events += self.judge(frame)
        elif frames.back_ms:
            self._put_back(time_ms)
            self._frames.take(quantity, time_ms, value, flag, stamp)
        return events

    def _heard(self, heard_ms: int, time_ms: int) -> list[Event]:
        """A report after a long silence, or after one that has been raised."""
        silence = self.state.silence
        deadline = silence.deadline_ms(self.tank)
        events: list[Event] = []
        # where the service itself was away or held up, reports were there that it had not taken
        missing = time_ms - self._frames.start_ms > self.silence_limit_ms and not silence.awaited
        if missing and silence.last_ms >= 0 and deadline is not None and heard_ms > deadline:
            events = self._silent(deadline)
        silence.standing = silence.awaited = False
        return events

    def tick(self, now_ms: int) -> list[Event]:
        """Let time pass without a reading: silence, shelves, delays."""
        silence = self.state.silence
        events = self._note(self.book.tick(now_ms, silence.readings_ms(self._frames.start_ms, now_ms)))
        deadline = silence.deadline_ms(self.tank)
        if deadline is not None and now_ms >= deadline:
            events += self._silent(deadline)
        elif silence.standing:
            events += self._silent(now_ms)
        return events

    def begin(self, now_ms: int) -> bool:
        """The service begins, or was held up: from now on a report is waited for.

        Returns
        -------
        bool
            True where this is a tank that has never reported, and it is the first start with it.
        """
        return self.state.silence.await_report(self.tank, now_ms)

    def follow_clock(self, now_ms: int) -> bool:
        """What the clock says now, where there is one beside the readings; True where it was put back.

        Then all that is remembered from the time when it was ahead follows it.
        """
        silence, last_ms = self._silence, now_ms + CLOCK.step_ms
        if (
            self._frames.start_ms <= last_ms
            and silence.last_ms <= last_ms
            and silence.since_ms <= last_ms
            and self.book.latest_ms <= last_ms
        ):
            return False
        self._put_back(now_ms)
        return True

    def _put_back(self, now_ms: int) -> None:
        frames, silence = self.state.frames, self.state.silence
        by_ms, frames.back_ms = frames.back_ms, 0
        start_ms, end_ms = frames.start_ms, frames.end_ms
        if not by_ms and start_ms - now_ms > CLOCK.step_ms:
            by_ms = (start_ms - now_ms) // FRAME_MS * FRAME_MS + FRAME_MS
            start_ms, end_ms = start_ms - by_ms, end_ms - by_ms
        if by_ms:
            undone = 0 <= frames.before_ms <= now_ms
            frames.late_run = 0
            # by the frame's beginning: a frame and what is kept of it carry that, not the reading's own time
            from_ms = frames.after_ms // FRAME_MS * FRAME_MS if undone else 0
            moved = moved_back(self.state, by_ms, from_ms)
            self.families = [moved_back(family, by_ms, from_ms) for family in self.families]
            moved.frames.start_ms, moved.frames.end_ms = start_ms, end_ms
            moved.frames.before_ms = moved.frames.after_ms = -1
            moved.silence = silence
            self.state = moved
            self._wire()
        silence.put_back(self.tank, now_ms)
        self.book.put_back(now_ms)
        self.book.changed = True  # so that it is kept as it is now

    def _silent(self, now_ms: int) -> list[Event]:
        silence = self.state.silence
        finding = silence.finding(self.tank, now_ms)
        if finding is None:
            return []
        silence.standing = True
        return self._note(self.book.without_readings(finding, now_ms))

    def judge(self, frame: Frame) -> list[Event]:
        """Let the families judge a closed frame; what changes by it."""
        state = self.state
        tank = self.tank
        day, minute = tank.clock.local(frame.start_ms)
        block = frame.start_ms // FIVE_MINUTES_MS
        fifth = block != state.block
        if fifth:
            state.block = block
        sensors = follow(state.sensors, frame)
        moment = Moment(frame, day, minute, fifth, self._active, gas=self._no_gas, sensors=sensors)
        state.log.give(frame.time_ms, self.families, tank)
        for recall in self._recall:
            recall(moment)
        self.moment = moment
        findings: list[Finding] = []
        for family in self.families:
            try:
                findings += family.update(tank, moment)
            except Exception as error:
                if self.failed is None:
                    raise
                self.failed(family.name, frame.time_ms, error)
                findings += self._as_before(family.name)
        if len(findings) > 1:
            findings = diagnose(findings, self._active, self.book.silenced())
        if findings or state.findings:
            state.findings = findings
        if not findings and self.book.asleep:
            return []
        arrived_ms = state.silence.last_ms  # of the report that closed the frame
        return self._note(self.book.update(findings, frame.time_ms, frame.time_ms, arrived_ms, self._why))

    def note(self, entry: LogEntry) -> None:
        """What the keeper noted."""
        self.state.log.waiting.append(entry)

    def take_back(self, number: int) -> None:
        """An entry was undone."""
        self.state.log.take_back(number, self.families, self.tank)

    def _as_before(self, family: str) -> list[Finding]:
        """What a family had found: nobody has seen the contrary."""
        kept = [finding for finding in self.state.findings if self._owners[finding.alarm] == family]
        for finding in kept:
            finding.holding = True
        return kept

    def _note(self, events: list[Event]) -> list[Event]:
        self._active = self.book.standing()
        self._active.discard("setting-doubtful")  # nothing is wrong with the tank: learning goes on
        return events

    def snapshot(self, book: AlarmBook | None = None) -> bytes:
        """State and alarms (those of another book, where one is given), for the store."""
        alarms = (self.book if book is None else book).to_bytes()
        return pack(self._version, self.state, self.families, alarms)

    def restore(self, blob: bytes) -> None:
        """Take up where a snapshot was made.

        Raises
        ------
        StoreError
            If the snapshot can't be read, or its structs had other fields. The alarms are kept where they
            could be read; what was learnt is as new, and the caller feeds the stored readings again.
        """
        where = f"analysis of {self.tank.name}"
        try:
            self.book = book_in(blob, self.tank)
        except msgspec.MsgspecError as error:
            raise StoreError(f"{where}: the saved state can't be read ({error}); it is learnt anew") from None
        self._note([])
        self.state, self.families = state_in(blob, self._version, WatchState, self._kinds, where)
        self._wire()
        self.tank.calibrated_by_log(self.state.log.calibrated_ms, self.state.log.points)
