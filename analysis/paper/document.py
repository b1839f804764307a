"""What a page holds, without layout: headings, paragraphs, lists, tables, curves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

__all__ = ["Block", "Curve", "Document", "Heading", "Listing", "Paragraph", "Table"]


_MOST_TICKS = 5


class Heading(NamedTuple):
    text: str


class Paragraph(NamedTuple):
    """`strong`: it must not be overlooked."""

    text: str
    strong: bool = False


class Listing(NamedTuple):
    items: tuple[str, ...]


class Table(NamedTuple):
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


class Curve(NamedTuple):
    """One series over time.

    Attributes
    ----------
    title, unit : str
    points : sequence of (x, y)
        x from 0 to 1 over the span; y None where there is a gap.
    labels : sequence of (x, text)
        Under the axis.
    band : (low, high) or None
        Limits, drawn as lines.
    around : sequence of (x, low, high)
        Between which it is, where it is an estimate; None where there is a gap.
    marks : sequence of (x, text)
        What happened, at the upper edge; the text is one letter or a few.
    """

    title: str
    unit: str
    points: Sequence[tuple[float, float | None]]
    labels: Sequence[tuple[float, str]] = ()
    band: tuple[float, float] | None = None
    around: Sequence[tuple[float, float | None, float | None]] = ()
    marks: Sequence[tuple[float, str]] = ()

    def span(self) -> tuple[float, float]:
        """Lowest and highest of the drawing, with some room."""
        values = [y for _, y in self.points if y is not None]
        values += [y for _, *ends in self.around for y in ends if y is not None]
        low, high = (min(values), max(values)) if values else (0.0, 1.0)
        room = max((high - low) * 0.08, abs(high) * 0.01, 0.01)
        return (max(0.0, low - room) if low >= 0 else low - room), high + room

    def ticks(self) -> list[float]:
        """Two to five round values to be read off at the side."""
        low, high = self.span()
        power = 10.0 ** math.floor(math.log10(high - low))
        step = next(s * power for s in (0.2, 0.5, 1.0, 2.0) if (high - low) / (s * power) <= _MOST_TICKS)
        return [n * step for n in range(math.ceil(low / step), math.floor(high / step) + 1)]

    def areas(self) -> list[list[tuple[float, float]]]:
        """Outlines of what it is between, unbroken: there along the lows and back along the highs."""
        found: list[tuple[list[tuple[float, float]], list[tuple[float, float]]]] = [([], [])]
        for x, low, high in self.around:
            if low is None or high is None:
                found.append(([], []))
            else:
                found[-1][0].append((x, low))
                found[-1][1].append((x, high))
        return [lows + highs[::-1] for lows, highs in found if len(lows) > 1]

    def runs(self) -> list[list[tuple[float, float]]]:
        """Unbroken stretches."""
        found: list[list[tuple[float, float]]] = [[]]
        for x, y in self.points:
            if y is None:
                found.append([])
            else:
                found[-1].append((x, y))
        return [run for run in found if len(run) > 1]


Block = Heading | Paragraph | Listing | Table | Curve


class Document(NamedTuple):
    """A page; `note` goes under the title."""

    title: str
    note: str
    blocks: tuple[Block, ...]
