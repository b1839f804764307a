"""What a page holds, without layout: headings, paragraphs, lists, tables, curves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

__all__ = ["Block", "Curve", "Document", "Heading", "Listing", "Paragraph", "Table"]


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
    """

    title: str
    unit: str
    points: Sequence[tuple[float, float | None]]
    labels: Sequence[tuple[float, str]] = ()
    band: tuple[float, float] | None = None

    def span(self) -> tuple[float, float]:
        """Lowest and highest of the drawing, with some room."""
        values = [y for _, y in self.points if y is not None]
        low, high = (min(values), max(values)) if values else (0.0, 1.0)
        room = max((high - low) * 0.08, abs(high) * 0.01, 0.01)
        return (max(0.0, low - room) if low >= 0 else low - room), high + room

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
