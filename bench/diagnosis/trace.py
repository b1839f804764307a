"""What was judged in a run, small enough to be kept: alarms to the minute, and what each family believed.

Figures are rounded, so that another machine's last digit makes no difference. A figure may still lie on the
very edge between two rounded ones; plain figures (24.05, 0.125) do so often. All are therefore scaled by
`OFF_GRID` first, after which nothing plain lies on an edge.
"""

from __future__ import annotations

import hashlib
import statistics
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec

from bench.diagnosis.recorded import FrameWatch
from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.detectors.registry import owner_of
from rushlight.analysis.findings import Finding
from rushlight.analysis.watch.tank_watch import FAMILIES
from rushlight.collector.events import Event
from rushlight.collector.settings import TankSettings

__all__ = ["OFF_GRID", "Differs", "Trace", "TraceWatch", "event_text", "plain", "rounded"]

OFF_GRID = 1.000273
SAMPLE_MS = 15 * 60_000
LEARNT_MS = 6 * 3_600_000
DAY_MS = 24 * 3_600_000
NOUGHT = 1e-6
"""What is smaller is what a difference of equal figures leaves."""


class Trace(msgspec.Struct):
    """What was judged in one run.

    Attributes
    ----------
    events : list of str
        Each change of an alarm, to the minute.
    days : dict of family to list of str
        For each day from the run's beginning, a digest of what the family believed, said to others and found.
    learnt : dict of family to list of str
        As `days`, of what the family keeps in mind: it may show in a judgement only weeks later.
    means : dict of family to (dict of name to list of str)
        What it believed, as the mean of each day; "-" where it believed nothing.
    """

    events: list[str] = []
    days: dict[str, list[str]] = {}
    learnt: dict[str, list[str]] = {}
    means: dict[str, dict[str, list[str]]] = {}


class Differs(Exception):
    """Another trace was expected: `where` says from when on, and in which family."""

    def __init__(self, where: str) -> None:
        super().__init__(where)
        self.where = where


def rounded(value: float) -> str:
    """A figure to four digits, the same on every machine."""
    if abs(value) < NOUGHT:
        return "0"
    return f"{value * OFF_GRID:.3e}"


def shown(value: float, digits: int = 4) -> str:
    """A figure to so many digits, as a person reads it."""
    if abs(value) < NOUGHT:
        return "0"
    return f"{float(f'{value * OFF_GRID:.{digits - 1}e}'):.{digits}g}"


def plain(value: Any) -> str:
    """What a family says or keeps in mind, whatever its type, as text; sentences are left out."""
    if isinstance(value, str):
        return "" if " " in value else value
    if value is None or isinstance(value, bool):
        return str(value)
    if isinstance(value, int):
        return str(value // 60_000 if abs(value) > 1e11 else value)  # a time: to the minute
    if isinstance(value, float):
        return rounded(value)
    if isinstance(value, msgspec.Struct):
        return ",".join(plain(getattr(value, name)) for name in value.__struct_fields__)
    if isinstance(value, dict):
        return ",".join(f"{key}:{plain(one)}" for key, one in sorted(value.items()))
    texts = [plain(one) for one in value]
    return "(" + " ".join(sorted(texts) if isinstance(value, set | frozenset) else texts) + ")"


def event_text(event: Event) -> str:
    """A change of an alarm, to the minute."""
    of = f"/{event.quantity}" if event.quantity else ""
    value = "" if event.value is None else f" {shown(event.value, 3)}"
    return f"{event.time[:16]} {event.event} {event.alarm}{of} {event.priority}{value}"


def _finding_text(finding: Finding) -> str:
    marks = (finding.alarm, finding.quantity, finding.holding, finding.priority, finding.replaces)
    more = (*marks, finding.credible, finding.setting, sorted(finding.explains))
    return " ".join(str(one) for one in more)


def _append(days: list[str], number: int, text: str) -> None:
    """Write it for that day, with a dash for each day without before it."""
    days += ["-"] * (number - len(days))
    days.append(text)


def _hold_against(expected: Trace, trace: Trace, family: str, number: int) -> None:
    pairs = ((expected.days, trace.days, ""), (expected.learnt, trace.learnt, ", learnt"))
    for was, now, what in pairs:
        if was.get(family, [])[number : number + 1] != now[family][number : number + 1]:
            raise Differs(f"{family}, day {number + 1}{what}")


class _Day:
    """One family's day, until it is over."""

    def __init__(self) -> None:
        self.judged = hashlib.blake2b(digest_size=2)
        self.learnt = hashlib.blake2b(digest_size=2)
        self.figures: dict[str, list[float]] = {}

    def add(self, text: str) -> None:
        self.judged.update(text.encode() + b"\n")


class TraceWatch(FrameWatch):
    """A tank's watch that writes its trace; it judges the same."""

    def __init__(self, name: str, settings: TankSettings) -> None:
        super().__init__(name, settings)
        self.trace = Trace()
        self.expected: Trace | None = None
        self._open: dict[str, _Day] = {}
        self._first_ms = self._until_ms = self._sample = self._learnt = -1
        self._found: dict[str, list[str]] = {}
        places = {kind.place: kind.name for kind in FAMILIES if kind.place}
        names = Moment.__struct_fields__
        self._places: dict[str, list[str]] = {kind.name: [] for kind in FAMILIES}
        for field in names[names.index("active") + 1 :]:
            family = places.get(field.removesuffix("_before"), "watch")
            if not field.endswith("_before") or field.removesuffix("_before") not in names:
                self._places.setdefault(family, []).append(field)
        self._owner = owner_of(FAMILIES)

    def judge(self, frame: Frame) -> list[Event]:
        """As `TankWatch.judge`."""
        events = super().judge(frame)
        if self._first_ms < 0:
            self._first_ms, self._until_ms = frame.start_ms, frame.start_ms + DAY_MS
        while frame.start_ms >= self._until_ms:
            self._close()
        findings = self.state.findings
        if findings or self._found:
            self._transitions(frame, findings)
        if frame.start_ms // SAMPLE_MS != self._sample:
            self._sample = frame.start_ms // SAMPLE_MS
            self._take(frame)
        return events

    def _day(self, family: str) -> _Day:
        day = self._open.get(family)
        if day is None:
            day = self._open[family] = _Day()
        return day

    def _transitions(self, frame: Frame, findings: list[Finding]) -> None:
        """Where a family finds something else than in the frame before."""
        now: dict[str, list[str]] = {}
        for finding in findings:
            now.setdefault(self._owner.get(finding.alarm, "watch"), []).append(_finding_text(finding))
        for family in sorted(now.keys() | self._found.keys()):
            texts = now.get(family, [])
            if texts != self._found.get(family, []):
                self._day(family).add(f"{frame.start_ms // 60_000} {texts}")
        self._found = now

    def _take(self, frame: Frame) -> None:
        """What each family believes, says to the others and finds, just now."""
        moment = self.moment
        assert moment is not None
        for family in self.families:
            day = self._day(family.name)
            for name, value in sorted(family.beliefs(self.tank, moment).items()):
                if value is not None:
                    day.add(f"{name} {rounded(float(value))}")
                    day.figures.setdefault(name, []).append(float(value))
        for name, fields in self._places.items():
            if fields:
                said = ";".join(plain(getattr(moment, field)) for field in fields)
                self._day(name).add(said)
        if frame.start_ms // LEARNT_MS != self._learnt:
            self._learnt = frame.start_ms // LEARNT_MS
            for family in self.families:
                self._day(family.name).learnt.update(plain(family).encode())
        for finding in self.state.findings:
            figures = f"{finding.alarm} {plain(finding.value)} {plain(finding.time_left_s)}"
            self._day(self._owner.get(finding.alarm, "watch")).add(figures)

    def _close(self) -> None:
        """A day is over: what was believed in it is written."""
        trace = self.trace
        number = (self._until_ms - self._first_ms) // DAY_MS - 1
        for family, day in self._open.items():
            _append(trace.days.setdefault(family, []), number, day.judged.hexdigest())
            _append(trace.learnt.setdefault(family, []), number, day.learnt.hexdigest())
            means = trace.means.setdefault(family, {})
            for name, values in sorted(day.figures.items()):
                _append(means.setdefault(name, []), number, shown(statistics.fmean(values)))
            if self.expected is not None:
                _hold_against(self.expected, trace, family, number)
        self._open = {}
        self._until_ms += DAY_MS

    def traced(self, events: Iterable[Event]) -> Iterator[Event]:
        """The events of a run as they come, each written into the trace; behind them its last day."""
        for event in events:
            self.trace.events.append(event_text(event))
            if self.expected is not None:
                number = len(self.trace.events) - 1
                if self.trace.events[number:] != self.expected.events[number : number + 1]:
                    raise Differs(f"events, {self.trace.events[number]}")
            yield event
        if self._open:
            self._close()
        if self.expected is not None and len(self.trace.events) != len(self.expected.events):
            raise Differs(f"events, {len(self.trace.events)} of {len(self.expected.events)}")
