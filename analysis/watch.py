"""One tank under watch: frames, detectors, diagnosis, alarms. The live service and `replay` both run this.

Time is what the readings say, or what the caller passes to `tick`; nothing here reads a clock.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from typing import TypeVar

import msgspec

from analysis.alarms import AlarmBook
from analysis.detectors.base import Moment, Tank
from analysis.detectors.carbon_dioxide import CarbonDioxideDetector
from analysis.detectors.lamp import LampDetector
from analysis.detectors.power import PowerDetector, SilenceDetector
from analysis.detectors.probes import ProbeDetector
from analysis.detectors.registry import Family, in_order, owner_of, schema_version
from analysis.detectors.settings_doubt import SettingsDoubt
from analysis.detectors.stray_current import StrayCurrentDetector
from analysis.detectors.temperature import TemperatureDetector
from analysis.diagnosis import diagnose
from analysis.frames import Frame, FrameBuilder
from analysis.types import Event, Finding
from collector.errors import StoreError
from collector.readings import Reading
from collector.settings import TankSettings

__all__ = ["FAMILIES", "TankWatch", "WatchState"]

FIVE_MINUTES_MS = 300_000

Failed = Callable[[str, int, Exception], None]
"""Told of a detector that failed: its name, the frame's time (ms UTC), the error."""

FAMILIES: tuple[type[Family], ...] = (
    ProbeDetector,
    LampDetector,
    StrayCurrentDetector,
    TemperatureDetector,
    PowerDetector,
    CarbonDioxideDetector,
    SettingsDoubt,
)
"""All families; the watch sorts them by what they need."""

_Kind = TypeVar("_Kind")


class WatchState(msgspec.Struct):
    """What the watch itself remembers of one tank, beside its families and alarms."""

    frames: FrameBuilder = msgspec.field(default_factory=FrameBuilder)
    silence: SilenceDetector = msgspec.field(default_factory=SilenceDetector)
    block: int = -1
    findings: list[Finding] = msgspec.field(default_factory=list)


class _Saved(msgspec.Struct):
    """A snapshot without its alarms; what was saved by other fields has another version, and is not read."""

    version: int
    state: msgspec.Raw = msgspec.Raw()
    families: dict[str, msgspec.Raw] = {}


@functools.cache
def _version(families: tuple[type[Family], ...]) -> int:
    return schema_version({"watch": WatchState, **{kind.name: kind for kind in families}})


class TankWatch:
    """The analysis of one tank.

    Attributes
    ----------
    book : AlarmBook
        Its alarms; people act on it through the service.
    state : WatchState
    families : list of Family
        In the order in which they judge.
    moment : Moment or None
        The newest frame and what was found out about it; for whoever looks on (`analysis.beliefs`).
    failed : callable or None
        Told of a detector that failed; the others go on then, and what the failed one had found stands. By
        default the error is raised.
    """

    def __init__(
        self, name: str, settings: TankSettings, families: Sequence[type[Family]] = FAMILIES
    ) -> None:
        self.tank = Tank(name, settings)
        self.book = AlarmBook(name, settings.title)
        self.state = WatchState()
        self._kinds = in_order(families)
        self._owners = owner_of(families)
        self._version = _version(tuple(families))
        self.families: list[Family] = [kind() for kind in self._kinds]
        self.moment: Moment | None = None
        self.failed: Failed | None = None
        self._active: set[str] = set()
        self._silence_limit_ms = SilenceDetector.limit_ms(self.tank)
        self._wire()

    def _wire(self) -> None:
        """Bound methods of the hot path; again after a restore."""
        self._feed_frame = self.state.frames.feed

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
        moment = Moment(frame, day, minute, fifth, self._active)
        for family in self.families:
            family.recall(moment)
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
        state.findings = findings
        return self._note(self.book.update(findings, frame.time_ms, frame.time_ms))

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
        encode = msgspec.msgpack.encode
        state = {
            "version": self._version,
            "state": self.state,
            "families": {family.name: family for family in self.families},
        }
        return encode([encode(state), (self.book if book is None else book).to_bytes()])

    def restore(self, blob: bytes) -> None:
        """Take up where a snapshot was made.

        Raises
        ------
        StoreError
            If the snapshot can't be read, or its structs had other fields. The alarms are kept where they
            could be read; what was learnt is as new, and the caller feeds the stored readings again.
        """
        where = f"analysis of {self.tank.name}"
        decode = msgspec.msgpack.decode
        try:
            state_bytes, book_bytes = decode(blob, type=tuple[bytes, bytes])
            book = AlarmBook.restore(self.tank.name, self.tank.settings.title, book_bytes)
            self.book = book
            self._note([])
            saved = decode(state_bytes, type=_Saved)
        except msgspec.MsgspecError as error:
            raise StoreError(f"{where}: the saved state can't be read ({error}); it is learnt anew") from None
        if saved.version != self._version:
            raise StoreError(f"{where}: the saved state is another version's; it is learnt anew")
        try:
            state = decode(saved.state, type=WatchState)
            families: list[Family] = [decode(saved.families[kind.name], type=kind) for kind in self._kinds]
        except (msgspec.MsgspecError, KeyError) as error:
            raise StoreError(f"{where}: the saved state can't be read ({error}); it is learnt anew") from None
        self.state, self.families = state, families
        self._wire()
