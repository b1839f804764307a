"""What the demo prints: a log with a gutter of simulated time, notices in a frame, a closing table."""

from __future__ import annotations

import os
import shutil
import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple, TextIO
from zoneinfo import ZoneInfo

import click

from rushlight.analysis.alarms.wording import duration_text

__all__ = ["Outcome", "Screen", "lead_text"]

_GUTTER = 18
_WIDEST = 100
_WHOLE: dict[str, Any] = {"break_long_words": False, "break_on_hyphens": False}
_COLOURS = {"CRITICAL": "red", "HIGH": "red", "MEDIUM": "yellow", "LOW": "cyan", "Over": "green"}


class Outcome(NamedTuple):
    """How one chapter of the scene went.

    Attributes
    ----------
    title : str
        What went wrong.
    alarm : str
        The alarm that should come, or one that should not have.
    began_ms, raised_ms, harm_ms : int or None
        Simulated UTC milliseconds: when the fault began, when its alarm came (None: never), and when, had
        nobody come, the livestock's limit would have been passed (None: plants suffer, animals don't).
    expected : bool
        False for a false alarm.
    """

    title: str
    alarm: str
    began_ms: int | None
    raised_ms: int | None
    harm_ms: int | None
    expected: bool = True

    @property
    def good(self) -> bool:
        """Raised, rightly, and before harm."""
        if not self.expected or self.raised_ms is None:
            return False
        return self.harm_ms is None or self.raised_ms < self.harm_ms


def lead_text(outcome: Outcome) -> str:
    """How long before harm the alarm came, in words."""
    if not outcome.expected:
        return "FALSE ALARM"
    if outcome.raised_ms is None:
        return "MISSED"
    if outcome.harm_ms is None:
        return "animals are not harmed"
    seconds = (outcome.harm_ms - outcome.raised_ms) / 1000
    if seconds <= 0:
        return f"LATE, {duration_text(-seconds)} after harm"
    return f"{duration_text(seconds)} before harm"


class Screen:
    """Writes the demo's lines; colours and the running clock only where `out` is a terminal."""

    def __init__(self, out: TextIO, timezone: str) -> None:
        self._out = out
        self._zone = ZoneInfo(timezone)
        self._terminal = out.isatty()
        self._colours = self._terminal and not os.environ.get("NO_COLOR")
        columns = shutil.get_terminal_size((96, 24)).columns if self._terminal else 96
        self._width = min(max(columns, 60), _WIDEST)
        self._clock_shown = False

    def when(self, time_ms: int) -> str:
        """Local simulated time, as long as the gutter."""
        return datetime.fromtimestamp(time_ms / 1000, self._zone).strftime("%a %d %b %H:%M")

    def text(self, text: str = "") -> None:
        """A paragraph over the whole width."""
        self._put(textwrap.fill(text, self._width, **_WHOLE))

    def line(self, text: str) -> None:
        """One line, never broken: a path or a command in it is to be copied."""
        self._put(text)

    def chapter(self, time_ms: int, title: str, story: str) -> None:
        """A new chapter begins."""
        self._put("\n" + self._style(f"{self.when(time_ms):<{_GUTTER}}{title}", bold=True))
        self._indented(story)

    def remark(self, text: str, time_ms: int | None = None) -> None:
        """One line, with its time in the gutter if it has one."""
        self._indented(text, self.when(time_ms) if time_ms is not None else "")

    def notice(self, time_ms: int, title: str, body: str, remark: str) -> None:
        """A notice as it arrives, in a frame."""
        colour = _COLOURS.get(title.split(":")[0].split(",")[0])
        self._indented(remark, self.when(time_ms))
        inner = self._width - _GUTTER - 2
        lines = textwrap.wrap(title, inner, **_WHOLE)
        rows = [self._style(line, fg=colour, bold=True) for line in lines] + [""]
        for paragraph in body.split("\n"):
            indent = " " * (3 if paragraph[:1].isdigit() and paragraph[1:2] == "." else 0)
            rows += textwrap.wrap(paragraph, inner, subsequent_indent=indent, **_WHOLE) or [""]
        pad = " " * _GUTTER
        rule = "─" * (inner + 1)
        self._put(f"{pad}┌{rule}")
        for row in rows:
            self._put(f"{pad}│ {row}".rstrip())
        self._put(f"{pad}└{rule}")

    def clock(self, time_ms: int) -> None:
        """The running clock in the last line of a terminal; nothing elsewhere."""
        if self._terminal:
            self._out.write(f"\r{self.when(time_ms)}  …")
            self._out.flush()
            self._clock_shown = True

    def table(self, outcomes: Sequence[Outcome]) -> None:
        """Fault, when it began, when the alarm came, lead time."""
        rows = [("fault", "alarm", "began", "noticed", "in time?")]
        for o in outcomes:
            began = self.when(o.began_ms) if o.began_ms is not None else "-"
            noticed = self.when(o.raised_ms) if o.raised_ms is not None else "never"
            rows.append((o.title, o.alarm, began, noticed, lead_text(o)))
        widths = [max(len(row[column]) for row in rows) for column in range(5)]
        self._put()
        for number, row in enumerate(rows):
            line = "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
            bad = number > 0 and not outcomes[number - 1].good
            self._put(self._style(line, bold=number == 0, fg="red" if bad else None))

    def _indented(self, text: str, gutter: str = "") -> None:
        filled = textwrap.fill(
            text, self._width, initial_indent=f"{gutter:<{_GUTTER}}", subsequent_indent=" " * _GUTTER
        )
        self._put(filled)

    def _style(self, text: str, fg: str | None = None, bold: bool = False) -> str:
        return click.style(text, fg=fg, bold=bold or None) if self._colours else text

    def _put(self, text: str = "") -> None:
        if self._clock_shown:
            self._out.write("\r\x1b[K")
            self._clock_shown = False
        self._out.write(text + "\n")
        self._out.flush()
