"""`rushlight explain` in the terminal: words first, then the curves drawn with characters."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from rushlight.analysis.alarms.cautions import below
from rushlight.analysis.alarms.wording import SUMMARY_LENGTH
from rushlight.analysis.explain.context import parted
from rushlight.analysis.explain.curves import Curve, Panel, round_step, tick_text
from rushlight.analysis.explain.explanation import Explanation
from rushlight.analysis.replay.store import HOUR_MS

__all__ = ["explanation_lines", "plot_lines"]

WIDTH, HEIGHT = 72, 12
_STEPS = (3, 4, 6)  # of an axis; `HEIGHT` is a multiple
_GLYPHS = {"measured": "•", "flagged": "x", "expected": "+", "forecast": ">"}
_BAND, _LIMIT, _DECISION, _GAP = "░", "-", "│", "·"
_GAP_MS = 20 * 60_000
_STEPS_H = (1, 2, 3, 4, 6, 12, 24, 48, 96, 168)
_ORDER = ("expected", "forecast", "flagged", "measured")  # the last drawn lies on top


def explanation_lines(explanation: Explanation, width: int = WIDTH) -> Iterator[str]:
    """All lines; `width` is that of the plots, without the figures at their left."""
    event = explanation.event
    zone = ZoneInfo(explanation.timezone)
    decided = _local(explanation.decided_ms, zone, "%a %d %b %Y, %H:%M")
    yield event.summary
    yield f"raised {decided} ({explanation.timezone}), {event.occurrence}"
    yield ""
    yield from _wrapped(f"Likely cause: {event.cause or 'not clear from the readings'}.")
    yield "What to do:"
    for step in event.action.splitlines():
        yield from _wrapped(step, "   ")
    yield from _wrapped(f"What would rule it out: {event.rule_out.removeprefix('rule out: ')}.")
    for caution in below(event.cautions, event.action):
        yield from _wrapped(caution)
    if explanation.note:
        yield from _wrapped(explanation.note)
    yield ""
    yield "Seen:"
    for text in event.observations:
        yield from _wrapped(f"- {text}", "  ")
    for panel in explanation.panels:
        yield ""
        yield from plot_lines(explanation, panel, width)
    if not explanation.panels:
        yield ""
        yield "The store has no curve to show for it."


def plot_lines(explanation: Explanation, panel: Panel, width: int = WIDTH) -> Iterator[str]:
    """One panel: heading, plot, times, and what the characters mean."""
    zone = ZoneInfo(explanation.timezone)
    low, high, step = _axis(panel)
    grid = _Grid(explanation.from_ms, explanation.to_ms, low, high, width)
    for first, last in explanation.gaps:
        for x in range(grid.column(first) + 1, grid.column(last)):
            for line in grid.rows:
                line[x] = _GAP
    for band in panel.bands:
        for time_ms, bottom, top in band.points:
            grid.put(time_ms, bottom, top, _BAND)
    for limit in panel.limits:
        if low <= limit.value <= high:
            grid.rows[grid.row(limit.value)][:] = _LIMIT * width
    mark = grid.column(explanation.decided_ms)
    for line in grid.rows:
        line[mark] = _DECISION
    for role in _ORDER:
        for curve in panel.curves:
            if curve.role == role:
                _draw(curve, grid)
    labels = {
        grid.row(low + step * n): tick_text(low + step * n, step) for n in range(round((high - low) / step))
    }
    room = max(len(text) for text in labels.values())
    yield panel.heading()
    for y, line in enumerate(grid.rows):
        yield f"{labels.get(y, ''):>{room}} │{''.join(line)}".rstrip()
    yield f"{'':{room}} └{'─' * width}"
    yield f"{'':{room}}  {_times(explanation, zone, width)}".rstrip()
    said = f"{_DECISION} raised {_local(explanation.decided_ms, zone, '%H:%M')}"
    if mark + len(said) > width:  # to the left of its mark
        said = said[2:] + said[1] + said[0]
        mark -= len(said) - 1
    yield f"{'':{room}}  {'':{max(0, mark)}}{said}"
    yield from _wrapped(_legend(explanation, panel), "  ")


class _Grid:
    """Rows of characters over a span of time and value."""

    def __init__(self, start_ms: int, end_ms: int, low: float, high: float, width: int) -> None:
        self.rows = [[" "] * width for _ in range(HEIGHT)]
        self.ms_a_column = (end_ms - start_ms) / width
        self._start, self._end = start_ms, end_ms
        self._low, self._high = low, high

    def column(self, time_ms: int) -> int:
        return max(0, min(len(self.rows[0]) - 1, int((time_ms - self._start) / self.ms_a_column)))

    def row(self, value: float) -> int:
        share = (value - self._low) / (self._high - self._low)
        return HEIGHT - 1 - min(HEIGHT - 1, max(0, int(share * HEIGHT + 1e-6)))

    def put(self, time_ms: int, bottom: float, top: float, glyph: str) -> None:
        """From `bottom` to `top` at one time; what lies outside is left out."""
        if self._start <= time_ms <= self._end:
            self.fill(self.column(time_ms), bottom, top, glyph)

    def fill(self, x: int, bottom: float, top: float, glyph: str) -> None:
        """As `put`, in one column."""
        if top < self._low or bottom > self._high:
            return
        for y in range(self.row(top), self.row(bottom) + 1):
            self.rows[y][x] = glyph

    def line(self, one: tuple[int, float], two: tuple[int, float], glyph: str) -> None:
        """Straight from point to point."""
        first, last = self.column(one[0]), self.column(two[0])
        if first == last:
            self.put(two[0], min(one[1], two[1]), max(one[1], two[1]), glyph)
            return
        share = (two[1] - one[1]) / (two[0] - one[0])
        for x in range(first, last + 1):
            edges = [self._start + round((x + i) * self.ms_a_column) for i in (0, 1)]
            values = [one[1] + share * (min(max(t, one[0]), two[0]) - one[0]) for t in edges]
            if edges[1] > self._start and edges[0] < self._end:
                self.fill(x, min(values), max(values), glyph)


def _draw(curve: Curve, grid: _Grid) -> None:
    """A curve into the rows; a steep one fills its column, a gap stays open."""
    glyph = _GLYPHS[curve.role]
    if curve.role == "flagged":
        for time_ms, value in curve.points:
            grid.put(time_ms, value, value, glyph)
        return
    for part in parted(curve.points, max(_GAP_MS, grid.ms_a_column * 2) if not _sparse(curve) else 2**62):
        before: tuple[int, float] | None = None
        for time_ms, value in part:
            if before is None or curve.step:
                grid.put(time_ms, value, value, glyph)
            else:
                grid.line(before, (time_ms, value), glyph)
            before = (time_ms, value)


def _sparse(curve: Curve) -> bool:
    """Made of a few points that are meant to be joined, as a fitted line is."""
    return len(curve.points) < 40


def _times(explanation: Explanation, zone: ZoneInfo, width: int) -> str:
    """Local times under the plot, at whole hours or days, about every sixteen characters."""
    start, end = explanation.from_ms, explanation.to_ms
    step_h = next((h for h in _STEPS_H if h * HOUR_MS * width / (end - start) >= 9), _STEPS_H[-1])
    form = "%d %b" if step_h >= 24 else "%H:%M"
    line = [" "] * width
    moment = datetime.fromtimestamp(start / 1000, zone).replace(minute=0, second=0, microsecond=0)
    while moment.timestamp() * 1000 < end:
        # whole steps by the tank's own clock, also over a change of summer time
        hours = moment.hour + 24 * moment.toordinal() if step_h >= 24 else moment.hour
        x = int((moment.timestamp() * 1000 - start) / (end - start) * width)
        if hours % step_h == 0 and x >= 0:
            text = moment.strftime(form)
            if x + len(text) <= width and not "".join(line[max(0, x - 1) : x + len(text)]).strip():
                line[x : x + len(text)] = text
        moment = datetime.fromtimestamp(moment.timestamp() + 3600, zone)
    return "".join(line)


def _axis(panel: Panel) -> tuple[float, float, float]:
    """Lowest, highest, step: from a round figure to a round one, with as little to spare as can be."""
    low, high = panel.span()
    found = []
    for number in _STEPS:
        step = round_step(high - low, number)
        while high > (math.floor(low / step) + number) * step:
            step = round_step(step * 1.01, 1)
        found.append((number * step, step, number))
    _, step, number = min(found)
    first = math.floor(low / step)
    return first * step, (first + number) * step, step


def _legend(explanation: Explanation, panel: Panel) -> str:
    low, high, _ = _axis(panel)
    outside = panel.outside()
    far = f" (also {', '.join(f'{v:.{panel.decimals}f}' for v in outside[:3])}, outside)" if outside else ""
    parts = [
        f"{_GLYPHS[curve.role]} {curve.name}{far if curve.role == 'flagged' else ''}"
        for curve in panel.curves
    ]
    parts += [f"{_BAND} {band.name}" for band in panel.bands if band.points]
    for limit in panel.limits:
        value = f"{limit.name} {limit.value:.{panel.decimals}f}"
        parts.append(f"{_LIMIT} {value}" if low <= limit.value <= high else f"({value} lies outside)")
    if explanation.gaps:
        parts.append(f"{_GAP} no report")
    return "   ".join(parts)


def _local(time_ms: int, zone: ZoneInfo, form: str) -> str:
    return datetime.fromtimestamp(time_ms / 1000, zone).strftime(form)


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, SUMMARY_LENGTH, subsequent_indent=indent)
