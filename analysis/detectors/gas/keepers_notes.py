"""What the keeper noted and the hardness takes up: tests, water changes, calibrations of the pH electrode."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from rushlight.analysis.detectors.gas.hardness import HardnessState
from rushlight.analysis.detectors.gas.numbers import HARDNESS
from rushlight.analysis.detectors.moment import Tank
from rushlight.collector.store.log_entry import LogEntry

if TYPE_CHECKING:
    from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector

__all__ = ["HardnessLog", "noted", "undone"]


class HardnessLog(msgspec.Struct):
    """State: entries that the hardness rests on, by time, and those that are still to be applied."""

    entries: list[LogEntry] = msgspec.field(default_factory=list)
    fresh: list[LogEntry] = msgspec.field(default_factory=list)

    def apply(self, hardness: HardnessState, began: bool) -> None:
        """What is new; all of it where the hardness has begun anew from the settings."""
        if not (began or self.fresh):
            return
        entries = sorted([*self.entries, *self.fresh], key=lambda one: one.time_ms)
        for entry in entries if began else self.fresh:
            _apply(hardness, entry)
        self.entries, self.fresh = entries[-HARDNESS.kept_notes :], []


def _apply(hardness: HardnessState, entry: LogEntry) -> None:
    """A test after a change of the same entry: that is how they are written down."""
    if entry.changed_share is not None:
        hardness.water_changed(entry.changed_share, entry.time_ms)
    if "calibrated" in entry.done:
        hardness.calibrated(entry.time_ms)
    if entry.tests.get("kh", 0.0) > 0:
        hardness.hardness_tested(entry.tests["kh"], entry.time_ms)


def noted(family: CarbonDioxideDetector, tank: Tank, entry: LogEntry) -> None:
    """An entry of the keeper's log whose time has come."""
    if "kh" in entry.tests or entry.changed_share is not None or "calibrated" in entry.done:
        family.estimate.noted.fresh.append(entry)


def undone(family: CarbonDioxideDetector, tank: Tank, entry: LogEntry) -> None:
    """It was taken back: the hardness begins anew, with what is left."""
    log = family.estimate.noted
    log.entries = [one for one in log.entries if one.id != entry.id]
    log.fresh = [one for one in log.fresh if one.id != entry.id]
    family.estimate.hardness.mark = ""
