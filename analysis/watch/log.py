"""What the keeper has noted, as the analysis of one tank has it: at its time, while it says anything.

An entry counts from its own time on. What is noted later for earlier counts from when it is known; what is
taken back counts no more, as far as the families hold it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import msgspec

from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.detectors.registry import Family, Noting
from rushlight.analysis.estimators.units import DAY_MS
from rushlight.analysis.numbers import Numbers, Of
from rushlight.collector.settings import CalibrationPoint
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["LOG", "WatchLog"]


class LogNumbers(Numbers, frozen=True, kw_only=True):
    """Of what the keeper notes."""

    kept_d: Annotated[int, Of("d", "an older entry says nothing of today's water")] = 30
    kept: Annotated[int, Of("", "entries that are kept in mind, at most")] = 60


LOG = LogNumbers()


class WatchLog(msgspec.Struct):
    """State.

    Attributes
    ----------
    seen : int
        Number of the last change of the log that was given.
    waiting : list of LogEntry
        Their time has not come yet, or no frame has been judged since.
    entries : list of LogEntry
        Those of the last weeks, by time.
    calibrated_ms : int
        When the pH electrode was last calibrated (ms UTC), -1 where nobody has said.
    points : list of CalibrationPoint
        What it gave in its buffers then, where that was kept.
    """

    seen: int = 0
    waiting: list[LogEntry] = msgspec.field(default_factory=list)
    entries: list[LogEntry] = msgspec.field(default_factory=list)
    calibrated_ms: int = -1
    points: list[CalibrationPoint] = msgspec.field(default_factory=list)

    def give(self, now_ms: int, families: Sequence[Family], tank: Tank) -> None:
        """Hand what has come due to the families that take it up."""
        if not self.waiting:
            return
        for entry in self.due(now_ms):
            for family in families:
                if isinstance(family, Noting):
                    family.noted(tank, entry)
        tank.calibrated_by_log(self.calibrated_ms, self.points)

    def take_back(self, number: int, families: Sequence[Family], tank: Tank) -> None:
        """An entry was undone: what families hold of it goes, too."""
        entry = self.remove(number)
        tank.calibrated_by_log(self.calibrated_ms, self.points)
        for family in families:
            if entry is not None and isinstance(family, Noting):
                family.undone(tank, entry)

    def due(self, now_ms: int) -> list[LogEntry]:
        """Those whose time has come, by time; they are kept from here on."""
        ready = sorted((one for one in self.waiting if one.time_ms <= now_ms), key=lambda one: one.time_ms)
        if not ready:
            return []
        self.waiting = [one for one in self.waiting if one.time_ms > now_ms]
        entries = sorted([*self.entries, *ready], key=lambda one: one.time_ms)[-LOG.kept :]
        self.entries = [one for one in entries if now_ms - one.time_ms < LOG.kept_d * DAY_MS]
        for one in ready:
            if "calibrated" in one.done and one.time_ms >= self.calibrated_ms:
                self._calibrated_by(one)
        return [one for one in ready if now_ms - one.time_ms < LOG.kept_d * DAY_MS]

    def remove(self, number: int) -> LogEntry | None:
        """Take back what was given; the entry where it had counted already."""
        self.waiting = [one for one in self.waiting if one.id != number]
        gone = next((one for one in self.entries if one.id == number), None)
        self.entries = [one for one in self.entries if one.id != number]
        if gone is not None and gone.time_ms == self.calibrated_ms:
            self.calibrated_ms, self.points = -1, []
            for one in self.entries:
                if "calibrated" in one.done:
                    self._calibrated_by(one)
        return gone

    def _calibrated_by(self, entry: LogEntry) -> None:
        """Entries come by time, so the last counts."""
        self.calibrated_ms = entry.time_ms
        self.points = [] if entry.calibration is None else list(entry.calibration.points)
