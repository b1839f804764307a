"""One tank under watch: frames, detectors, diagnosis, alarms. The live service and `replay` both run this.

Time is what the readings say, or what the caller passes to `tick`; nothing here reads a clock.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from analysis.alarms import AlarmBook
from analysis.clock import STEP_MS, moved_back
from analysis.detectors.base import Moment, Tank
from analysis.detectors.carbon_dioxide import CarbonDioxideDetector
from analysis.detectors.lamp import LampDetector
from analysis.detectors.power import PowerDetector, SilenceDetector
from analysis.detectors.probes import ProbeDetector
from analysis.detectors.settings_doubt import SettingsDoubt
from analysis.detectors.stray_current import StrayCurrentDetector
from analysis.detectors.temperature import TemperatureDetector
from analysis.diagnosis import diagnose
from analysis.frames import FRAME_MS, Frame, FrameBuilder
from analysis.types import Event, Finding
from collector.errors import StoreError
from collector.readings import Reading
from collector.settings import TankSettings

__all__ = ["STATE_VERSION", "TankWatch", "WatchState"]

STATE_VERSION = 6
FIVE_MINUTES_MS = 300_000

Failed = Callable[[str, int, Exception], None]
"""Told of a detector that failed: its name, the frame's time (ms UTC), the error."""

_OF: dict[str, frozenset[str]] = {
    "probes": frozenset({"probe-fault"}),
    "lamp": frozenset({"light-missing", "light-stuck-on", "light-schedule-drift", "light-dimming"}),
    "stray current": frozenset({"stray-current-suspected"}),
    "heat": frozenset(
        {
            "heater-stuck-on",
            "heater-not-heating",
            "cooling-not-cooling",
            "temperature-high",
            "temperature-low",
        }
    ),
    "power": frozenset({"power-interrupted"}),
    "carbon dioxide": frozenset({"co2-overdose", "co2-absent", "ph-out-of-range"}),
    "settings": frozenset({"setting-doubtful"}),
}


class WatchState(msgspec.Struct):
    """Everything the analysis of one tank remembers, but for its alarms."""

    version: int = STATE_VERSION
    frames: FrameBuilder = msgspec.field(default_factory=FrameBuilder)
    silence: SilenceDetector = msgspec.field(default_factory=SilenceDetector)
    probes: ProbeDetector = msgspec.field(default_factory=ProbeDetector)
    lamp: LampDetector = msgspec.field(default_factory=LampDetector)
    stray: StrayCurrentDetector = msgspec.field(default_factory=StrayCurrentDetector)
    temperature: TemperatureDetector = msgspec.field(default_factory=TemperatureDetector)
    power: PowerDetector = msgspec.field(default_factory=PowerDetector)
    carbon_dioxide: CarbonDioxideDetector = msgspec.field(default_factory=CarbonDioxideDetector)
    doubt: SettingsDoubt = msgspec.field(default_factory=SettingsDoubt)
    block: int = -1
    findings: list[Finding] = msgspec.field(default_factory=list)


class TankWatch:
    """The analysis of one tank.

    Attributes
    ----------
    book : AlarmBook
        Its alarms; people act on it through the service.
    state : WatchState
    silence_limit_ms : int
        A device that is silent for longer is told of.
    moment : Moment or None
        The newest frame and what was found out about it; for whoever looks on (`analysis.beliefs`).
    clocked : bool
        Whether `follow_clock` is told of a clock; otherwise the readings' times are all there is.
    failed : callable or None
        Told of a detector that failed; the others go on then, and what the failed one had found stands. By
        default the error is raised.
    """

    def __init__(self, name: str, settings: TankSettings) -> None:
        self.tank = Tank(name, settings)
        self.book = AlarmBook(name, settings.title)
        self.state = WatchState()
        self.moment: Moment | None = None
        self.failed: Failed | None = None
        self.clocked = False
        self._active: set[str] = set()
        self.silence_limit_ms = SilenceDetector.limit_ms(self.tank)
        self._wire()

    def _wire(self) -> None:
        """Bound methods of the hot path; again after a restore."""
        self._frames = self.state.frames
        self._frames.clocked = self.clocked
        self._feed_frame = self._frames.feed

    def feed(self, reading: Reading, arrived_ms: int | None = None) -> list[Event]:
        """Take one flagged reading in order of arrival; what changes by it.

        The deadline of silence is looked at first, so that a gap in the readings is told at the time when
        it became one. Silence is judged by `arrived_ms` (ms UTC), by the reading's own time where that is
        not known.
        """
        heard_ms = reading.time_ms if arrived_ms is None else arrived_ms
        silence = self.state.silence
        events: list[Event] = []
        if heard_ms > silence.last_ms:
            far = heard_ms - silence.last_ms > self.silence_limit_ms
            if far or silence.standing or silence.awaited:
                events = self._heard(heard_ms, reading.time_ms)
            silence.last_ms = heard_ms
        frame = self._feed_frame(reading)
        if frame is not None:
            events += self._judge(frame)
        elif self._frames.back_ms:
            self._put_back(reading.time_ms)
            self._feed_frame(reading)
        return events

    def _heard(self, heard_ms: int, time_ms: int) -> list[Event]:
        """A report after a long silence, or after one that has been told."""
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
        deadline = self.state.silence.deadline_ms(self.tank)
        if deadline is not None and now_ms >= deadline:
            return self._silent(deadline)
        if self.state.silence.standing:
            return self._silent(now_ms)
        return self._note(self.book.tick(now_ms))

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
        state = self.state
        ahead_ms = max(state.frames.start_ms, state.silence.last_ms, state.silence.since_ms)
        if max(ahead_ms, self.book.as_of_ms) - now_ms <= STEP_MS:
            return False
        self._put_back(now_ms)
        return True

    def _put_back(self, now_ms: int) -> None:
        frames, silence = self.state.frames, self.state.silence
        by_ms, frames.back_ms = frames.back_ms, 0
        start_ms, end_ms = frames.start_ms, frames.end_ms
        if not by_ms and start_ms - now_ms > STEP_MS:
            by_ms = (start_ms - now_ms) // FRAME_MS * FRAME_MS + FRAME_MS
            start_ms, end_ms = start_ms - by_ms, end_ms - by_ms
        if by_ms:
            undone = 0 <= frames.before_ms <= now_ms
            frames.late_run = 0
            moved = (
                moved_back(self.state, by_ms, frames.after_ms) if undone else moved_back(self.state, by_ms)
            )
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
        for kept in self.state.findings:
            kept.holding = True
        return self._note(self.book.update([*self.state.findings, finding], now_ms, now_ms))

    def _judge(self, frame: Frame) -> list[Event]:
        state = self.state
        tank = self.tank
        day, minute = tank.clock.local(frame.start_ms)
        block = frame.start_ms // FIVE_MINUTES_MS
        fifth = block != state.block
        state.block = block
        moment = Moment(frame, day, minute, fifth, self._active, set())
        self.moment = moment
        findings: list[Finding] = []
        judges: tuple[tuple[str, Callable[[], list[Finding]]], ...] = (
            ("probes", lambda: state.probes.update(tank, moment, state.stray)),
            ("lamp", lambda: state.lamp.update(tank, moment, state.doubt.lamp.told)),
            ("stray current", lambda: state.stray.update(tank, moment)),
            ("heat", lambda: state.temperature.update(tank, moment)),
            ("power", lambda: state.power.update(tank, moment)),
            ("carbon dioxide", lambda: state.carbon_dioxide.update(tank, moment)),
            (
                "settings",
                lambda: state.doubt.update(
                    tank, moment, state.lamp.tracker, state.carbon_dioxide.curve, state.temperature.heater
                ),
            ),
        )
        for name, judge in judges:
            try:
                findings += judge()
            except Exception as error:
                if self.failed is None:
                    raise
                self.failed(name, frame.time_ms, error)
                findings += self._as_before(name)
        if len(findings) > 1:
            findings = diagnose(findings, self._active, self.book.silenced())
        state.findings = findings
        return self._note(self.book.update(findings, frame.time_ms, frame.time_ms))

    def _as_before(self, detector: str) -> list[Finding]:
        """What a detector had found: nobody has seen the contrary."""
        kept = [finding for finding in self.state.findings if finding.alarm in _OF[detector]]
        for finding in kept:
            finding.holding = True
        return kept

    def _note(self, events: list[Event]) -> list[Event]:
        self._active = self.book.standing()
        self._active.discard("setting-doubtful")  # nothing is wrong with the tank: learning goes on
        return events

    def snapshot(self) -> bytes:
        """State and alarms, for the store."""
        return msgspec.msgpack.encode([msgspec.msgpack.encode(self.state), self.book.to_bytes()])

    def restore(self, blob: bytes) -> None:
        """Take up where a snapshot was made.

        Raises
        ------
        StoreError
            If the snapshot can't be read or is of another version. The alarms are kept where they could be
            read; what was learnt is as new, and the caller feeds the stored readings again.
        """
        try:
            state_bytes, book_bytes = msgspec.msgpack.decode(blob, type=tuple[bytes, bytes])
            book = AlarmBook.restore(self.tank.name, self.tank.settings.title, book_bytes)
            self.book = book
            self._note([])
            state = msgspec.msgpack.decode(state_bytes, type=WatchState)
        except msgspec.MsgspecError as error:
            raise StoreError(
                f"analysis of {self.tank.name}: the saved state can't be read ({error}); it is learnt anew"
            ) from None
        if state.version != STATE_VERSION:
            raise StoreError(
                f"analysis of {self.tank.name}: the saved state has version {state.version}; learnt anew"
            )
        self.state = state
        self._wire()
