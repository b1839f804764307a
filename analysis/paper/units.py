"""A finished document in the reader's units: texts as everywhere, curves by their values."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from rushlight.analysis.paper.document import Block, Curve, Document, Heading, Listing, Paragraph, Table
from rushlight.collector.units import Display, fahrenheit, shown

__all__ = ["in_units"]


def in_units(document: Document, units: Display, names: Iterable[str] = ()) -> Document:
    """The same page for people who have those units; with "metric" it is unchanged.

    `names`: of tanks; they stay as they are.
    """
    if units == "metric":
        return document
    kept = list(names)

    def text(one: str) -> str:
        return shown(one, units, kept)

    return Document(
        text(document.title), text(document.note), tuple(_block(block, text) for block in document.blocks)
    )


def _block(block: Block, text: Callable[[str], str]) -> Block:
    match block:
        case Heading():
            return Heading(text(block.text))
        case Paragraph():
            return block._replace(text=text(block.text))
        case Listing():
            return Listing(tuple(text(item) for item in block.items))
        case Table():
            rows = tuple(tuple(text(cell) for cell in row) for row in block.rows)
            return Table(tuple(text(cell) for cell in block.header), rows)
        case Curve():
            return _curve(block, text)


def _curve(curve: Curve, text: Callable[[str], str]) -> Curve:
    if curve.unit != "°C":
        return curve
    band = None if curve.band is None else (fahrenheit(curve.band[0]), fahrenheit(curve.band[1]))
    points = [(x, _or_none(y)) for x, y in curve.points]
    around = [(x, _or_none(low), _or_none(high)) for x, low, high in curve.around]
    return curve._replace(unit=text(curve.unit), points=points, band=band, around=around)


def _or_none(value: float | None) -> float | None:
    return None if value is None else fahrenheit(value)
