"""The report as a document, and its short form for a notice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.alarms.wording import duration_text
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.paper.document import Block, Curve, Document, Heading, Listing, Paragraph, Table
from rushlight.analysis.periodic.alarm_load import BEARABLE_A_DAY, FLOOD, Load
from rushlight.analysis.periodic.before import Before, beside
from rushlight.analysis.periodic.changes import changes_of, changes_words
from rushlight.analysis.periodic.figures import belief, curve_points, lit, seen, spread
from rushlight.analysis.physics.plant_light import daily_light_mol, ppfd_umol
from rushlight.analysis.replay.beliefs import Sample
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["COMPARED", "Span", "report_document", "short_text"]

_DAY_MS = 86_400_000
_GAS = "CO2, estimated"
_NONE = "–"
_SERIES = (
    ("water temperature", "°C", 2, seen("temperature")),
    ("room temperature", "°C", 1, seen("room_temperature")),
    ("pH", "", 2, seen("ph")),
    (_GAS, "mg/L", 0, belief("co2_mg_l")),
    ("KH, as it is held to be", "dKH", 1, belief("kh_dkh")),
)
COMPARED = {title: value for title, _, _, value in _SERIES}
"""What is compared with the spans before, by title."""


class Span(NamedTuple):
    """What the report rests on: its frames, figures of the spans before it, its log and alarms."""

    name: str
    tank: TankSettings
    from_ms: int
    to_ms: int
    now: Sequence[Sample]
    before: Before
    log: Sequence[LogEntry]
    load: Load
    next_up: tuple[str, ...]
    lamp: str


def report_document(span: Span) -> Document:
    """The pages."""
    zone = ZoneInfo(span.tank.timezone)
    first, last = (datetime.fromtimestamp(ms / 1000, zone) for ms in (span.from_ms, span.to_ms))
    one = span.before.name
    blocks: list[Block] = [
        Heading("How steady"),
        Table(
            (
                "",
                "middle",
                "nine in ten within",
                f"{one}s before: middle",
                f"{one}s before: nine in ten within",
            ),
            tuple(row.cells(one) for row in _steady(span)),
        ),
        Paragraph(
            f"Of the {one}s before: the median of their figures and, in brackets, between which these lay. A "
            f"{one} with readings on fewer than half of its days is left out."
        ),
        *(Paragraph(text) for text in _light(span)),
        *_curves(span, zone),
        Heading("Water changes and tests"),
        *_water(span, zone),
        Heading("Alarms"),
        *_alarms(span),
        Heading("To look at next"),
        Listing(span.next_up or ("nothing in particular",)),
        Paragraph(CAUTIONS["electrical"]),
        Paragraph(CAUTIONS["animals"]),
    ]
    note = (
        f"{first:%a %d %b %Y %H:%M} to {last:%a %d %b %Y %H:%M}, {span.tank.timezone}. CO2 and PPFD are "
        f"estimates."
    )
    return Document(f"{span.tank.title or span.name}: report", note, tuple(blocks))


def short_text(span: Span) -> str:
    """A few lines, for a notice and the terminal."""
    lines = [row.words(span.before.name) for row in _steady(span) if row.middle != _NONE]
    lines += _light(span)
    changed = changes_words(changes_of(span.now, span.log))
    if changed:
        lines.append(changed)
    number = sum(row.raised for row in span.load.rows)
    judged, false = sum(row.judged for row in span.load.rows), sum(row.false for row in span.load.rows)
    was = f"; {false} of the {judged} with a verdict not right" if judged else ""
    lines.append(f"{number} alarms, {span.load.a_day:.1f} a day{was}")
    lines += [f"next: {text}" for text in span.next_up]
    return "\n".join(lines)


class _Row(NamedTuple):
    """How steady one series was; `before` is its middle and its width in `number` spans before."""

    title: str
    middle: str
    within: str
    number: int
    before: tuple[str, str]

    def cells(self, one: str) -> tuple[str, ...]:
        """A row of the table."""
        number = f"; {self.number} {one}{'s' * (self.number > 1)}" if self.number else ""
        return self.title, self.middle, self.within, self.before[0] + number, self.before[1]

    def words(self, one: str) -> str:
        """In a line; `one`: what a span is called."""
        now = f"{self.title}: {self.middle} ({self.within}); "
        if not self.number:
            return f"{now}no {one} before to compare with"
        return f"{now}{_so_many(self.number, one)} before: {self.before[0]}, nine in ten {self.before[1]}"


def _so_many(number: int, one: str) -> str:
    return f"the {one}" if number == 1 else f"{number} {one}s"


def _steady(span: Span) -> Iterator[_Row]:
    for title, unit, decimals, value in _SERIES:
        now, before = spread(span.now, value), span.before.spreads(title)
        if now is None and not before:
            continue

        def in_unit(number: str, unit: str = unit) -> str:
            return f"{number} {unit}".rstrip()

        def apart(number: str, unit: str = unit) -> str:
            return f"{in_unit(number, unit)} apart"

        middle = within = _NONE
        if now is not None:
            middle = in_unit(f"{now.median:.{decimals}f}")
            within = in_unit(f"{now.low:.{decimals}f} to {now.high:.{decimals}f}")
            within += f", {apart(f'{now.high - now.low:.{decimals}f}')}"
        was = (_NONE, _NONE)
        if before:
            was = (
                beside([one.median for one in before], in_unit, decimals),
                beside([one.high - one.low for one in before], apart, decimals),
            )
        yield _Row(title, middle, within, len(before), was)


def _light(span: Span) -> list[str]:
    clock = LocalClock(span.tank.timezone)
    found, was = lit(span.now, lambda ms: clock.local(ms)[0]), span.before.lit()
    if found is None:
        return []
    text = (
        f"Light: {found.hours:.1f} h a day at {found.lux:.0f} lx, about "
        f"{ppfd_umol(found.lux, span.lamp):.0f} "
        f"µmol/(m²·s) and {daily_light_mol(found.lux, found.hours, span.lamp):.1f} mol/(m²·d) at "
        f"the sensor (an "
        f"estimate for {span.lamp}, Thimijan & Heins 1983)"
    )
    if was:
        hours = beside([one.hours for one in was], lambda number: f"{number} h", 1)
        level = beside([one.lux for one in was], lambda number: f"{number} lx", 0)
        text += f"; {_so_many(len(was), span.before.name)} before: {hours} at {level}"
    return [text + "."]


def _curves(span: Span, zone: ZoneInfo) -> Iterator[Block]:
    live = span.tank.livestock
    days = max(1, round((span.to_ms - span.from_ms) / _DAY_MS))
    step = max(1, days // 8)
    first = datetime.fromtimestamp(span.from_ms / 1000, zone)
    to_midnight = (1 - (first.hour * 60 + first.minute) / 1440) % 1  # labels stand at the days' beginnings
    labels = [
        (
            (day + to_midnight) / days,
            f"{datetime.fromtimestamp((span.from_ms + (day + to_midnight) * _DAY_MS) / 1000, zone):%d %b}",
        )
        for day in range(0, days, step)
    ]
    bands = {
        "water temperature": (live.temperature_low_c, live.temperature_high_c),
        _GAS: (0.0, live.co2_limit_mg_l),
    }
    marks = [(_place(span, one.time_ms), "W") for one in changes_of(span.now, span.log)]
    marks += [(_place(span, at), "!") for at in span.load.raised_ms]
    for title, unit, _, value in (*_SERIES, ("light", "lx", 0, seen("light"))):
        points = curve_points(span.now, value, span.from_ms, span.to_ms)
        if any(y is not None for _, y in points):
            around = _around(span) if title == _GAS else ()
            yield Curve(title, unit, points, labels, bands.get(title), around, sorted(marks))
    if marks:
        yield Paragraph("W: a water change; !: an alarm was raised.")


def _place(span: Span, time_ms: int) -> float:
    return (time_ms - span.from_ms) / (span.to_ms - span.from_ms)


def _around(span: Span) -> list[tuple[float, float | None, float | None]]:
    """CO2 is an estimate: between which it was, as it was judged."""
    ends = [
        curve_points(span.now, belief(name), span.from_ms, span.to_ms)
        for name in ("co2_low_mg_l", "co2_high_mg_l")
    ]
    return [(x, low, high) for (x, low), (_, high) in zip(*ends, strict=True)]


def _water(span: Span, zone: ZoneInfo) -> Iterator[Block]:
    def when(time_ms: int) -> str:
        return f"{datetime.fromtimestamp(time_ms / 1000, zone):%a %d %b %H:%M}"

    changes = changes_of(span.now, span.log)
    if changes:
        yield Paragraph(f"{changes_words(changes)}.")
        yield Table(("when", "water change"), tuple((when(one.time_ms), one.words()) for one in changes))
        yield Paragraph(
            "What was only seen is known by the step of the water's temperature; water as warm as the tank "
            "leaves none."
        )
    else:
        yield Paragraph("No water change was noted, and none was seen by its temperature.")
    rows = [(when(entry.time_ms), entry.words()) for entry in span.log]
    if rows:
        yield Table(("when", "noted"), tuple(rows))


def _alarms(span: Span) -> Iterator[Block]:
    load = span.load
    if not load.rows:
        yield Paragraph("None was raised.")
        yield from _stale(load)
        return
    rows = []
    for row in load.rows:
        answer = "–" if row.to_answer_s is None else duration_text(row.to_answer_s)
        longest = "–" if row.longest_s is None else duration_text(row.longest_s)
        often = f"{row.raised}{' (comes and goes)' if row.chatters else ''}"
        false = f"{row.false} of {row.judged}" if row.judged else "not said"
        rows.append((rationale_for(row.alarm).title, often, f"{row.answered}, {answer}", longest, false))
    yield Table(("alarm", "raised", "answered, within", "longest active", "not right"), tuple(rows))
    judged = "more than a person at home should bear" if load.a_day > BEARABLE_A_DAY else "bearable"
    yield Paragraph(
        f"{load.a_day:.1f} a day: {judged}. (EEMUA 191 and ISA-18.2 accept 144 a day of an operator "
        f"whose work it is.)"
    )
    parts = ", ".join(f"{number} {priority}" for priority, number in load.by_priority)
    flood = "a flood that nobody reads" if load.most_at_once >= FLOOD else "no flood"
    yield Paragraph(
        f"By priority: {parts} (of many, some 5 % should be high, 15 % medium, 80 % low). "
        f"{load.most_at_once} at most within ten minutes: {flood} ({FLOOD} are one)."
    )
    yield from _stale(load)
    if sum(row.judged for row in load.rows) < sum(row.raised for row in load.rows):
        yield Paragraph("What was false only you know: say so with `rushlight verdict`.")
    if any(row.false for row in load.rows):
        yield Paragraph("Of an alarm that was not right send a bundle (`rushlight bundle`).")


def _stale(load: Load) -> Iterator[Block]:
    if load.stale:
        titles = ", ".join(rationale_for(one).title for one in load.stale)
        yield Paragraph(f"Active for more than a day: {titles}. Mend the cause, or take it out of service.")
