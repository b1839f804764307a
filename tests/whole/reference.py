"""The same readings, judged by the same analysis with nothing in the way: what ought to be told, and when."""

from __future__ import annotations

from dataclasses import dataclass

from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import Reading
from rushlight.collector.settings import Settings

__all__ = ["FAMILIES", "Reference", "Span", "family_of"]

FAMILIES: dict[str, frozenset[str]] = {
    "gas": frozenset({"co2-overdose", "ph-out-of-range"}),
    "hot": frozenset({"temperature-high", "heater-stuck-on", "cooling-not-cooling"}),
    "cold": frozenset({"temperature-low", "heater-not-heating", "power-interrupted"}),
    "silent": frozenset({"device-silent"}),
}
"""Alarms that mean the same danger: which cause is named may differ by the minute."""


def family_of(alarm: str) -> str:
    """The danger an alarm is about, "" where animals come to no harm by it."""
    return next((name for name, alarms in FAMILIES.items() if alarm in alarms), "")


@dataclass
class Span:
    """A danger that stood; `end_ms` None while it does."""

    tank: str
    family: str
    start_ms: int
    end_ms: int | None = None


class Reference:
    """Takes readings at their true times, and remembers which dangers stood from when to when."""

    def __init__(self, settings: Settings, now_ms: int) -> None:
        self.spans: list[Span] = []
        self._settings = settings
        self._watches = {name: TankWatch(name, tank) for name, tank in settings.tanks.items()}
        self._intake = Intake(settings)
        self._open: dict[tuple[str, str], set[str]] = {}
        self._kept: dict[str, bytes] = {}
        self._text = ""
        self._heard: dict[str, int] = {}
        self._since = dict.fromkeys(settings.tanks, now_ms)

    def settle(self, settings: Settings, now_ms: int) -> None:
        """The settings are read again; what was learnt and what stands goes on."""
        self._kept |= {name: watch.snapshot() for name, watch in self._watches.items()}
        gone = self._watches.keys() - settings.tanks.keys()
        for tank, family in [key for key in self._open if key[0] in gone]:
            self._over(tank, family, now_ms)
        for name in gone:
            self._since.pop(name, None)
        before, self._watches = self._watches, {}
        for name, table in settings.tanks.items():
            watch = self._watches[name] = TankWatch(name, table)
            if name in self._kept:
                watch.restore(self._kept[name])
                if name not in before:
                    watch.begin(now_ms)  # nobody listened meanwhile: it is no silence of the device
            self._since.setdefault(name, now_ms)
        quality = self._intake.quality
        self._intake = Intake(settings)
        self._intake.quality = quality

    def take(self, tank: str, values: dict[str, float], true_ms: int) -> None:
        """One report."""
        watch = self._watches.get(tank)
        if watch is None:
            return
        if tank not in self._heard:
            self._heard[tank] = true_ms
            self._over(tank, "silent", true_ms)
        for quantity, value in values.items():
            for reading in self._intake.take(Reading(tank, quantity, true_ms, value)):
                self._note(watch.feed(reading))

    def tick(self, true_ms: int) -> None:
        """A minute passes. A tank that has never reported is silent from the start of the service on."""
        for name, watch in self._watches.items():
            self._note(watch.tick(true_ms))
            if name not in self._heard and true_ms - self._since[name] >= NEVER_MS:
                self._begin(name, "silent", "", true_ms)

    def _note(self, events: list[Event]) -> None:
        for event in events:
            family = family_of(event.alarm)
            if not family:
                continue
            time_ms = milliseconds(event.time)
            if event.event == "raised":
                self._begin(event.tank, family, event.occurrence, time_ms)
            elif event.event == "cleared":
                key = (event.tank, family)
                self._open.get(key, set()).discard(event.occurrence)
                if not self._open.get(key):
                    self._over(*key, time_ms)

    def _begin(self, tank: str, family: str, occurrence: str, time_ms: int) -> None:
        key = (tank, family)
        if key not in self._open:
            self.spans.append(Span(tank, family, time_ms))
        self._open.setdefault(key, set()).add(occurrence)

    def _over(self, tank: str, family: str, time_ms: int) -> None:
        if self._open.pop((tank, family), None) is None:
            return
        for span in reversed(self.spans):
            if (span.tank, span.family) == (tank, family) and span.end_ms is None:
                span.end_ms = time_ms
                return


NEVER_MS = 24 * 60_000  # as for a device that has fallen silent: twelve reports, 20 min at least
