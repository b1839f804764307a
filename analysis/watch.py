"""One tank under watch: frames, detectors, diagnosis, alarms. The live service and `replay` both run this.

Time is what the readings say, or what the caller passes to `tick`; nothing here reads a clock.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from analysis.alarms import AlarmBook
from analysis.detectors.base import Moment, Tank
from analysis.detectors.carbon_dioxide import CarbonDioxideDetector
from analysis.detectors.lamp import LampDetector
from analysis.detectors.power import PowerDetector, SilenceDetector
from analysis.detectors.probes import ProbeDetector
from analysis.detectors.settings_doubt import SettingsDoubt
from analysis.detectors.stray_current import StrayCurrentDetector
from analysis.detectors.temperature import TemperatureDetector
from analysis.diagnosis import diagnose
from analysis.frames import Frame, FrameBuilder
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
    moment : Moment or None
        The newest frame and what was found out about it; for whoever looks on (`analysis.beliefs`).
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
        self._active: set[str] = set()
        self._silence_limit_ms = SilenceDetector.limit_ms(self.tank)
        self._wire()

    def _wire(self) -> None:
        """Bound methods of the hot path; again after a restore."""
        self._feed_frame = self.state.frames.feed

    def feed(self, reading: Reading) -> list[Event]:
        """Take one flagged reading in order of arrival; what changes by it.

        The deadline of silence is looked at first, so that a gap in the readings is told at the time when
        it became one.
        """
        time_ms = reading.time_ms
        silence = self.state.silence
        events: list[Event] = []
        last_ms = silence.last_ms
        if time_ms > last_ms:
            if last_ms >= 0 and time_ms - last_ms > self._silence_limit_ms:
                if not silence.standing:
                    events = self._silent(last_ms + self._silence_limit_ms)
                silence.standing = False
            silence.last_ms = time_ms
        frame = self._feed_frame(reading)
        if frame is not None:
            events += self._judge(frame)
        return events

    def tick(self, now_ms: int) -> list[Event]:
        """Let time pass without a reading: silence, shelves, delays."""
        deadline = self.state.silence.deadline_ms(self.tank)
        if deadline is not None and now_ms >= deadline:
            return self._silent(deadline)
        if self.state.silence.standing:
            return self._silent(now_ms)
        return self._note(self.book.tick(now_ms))

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
