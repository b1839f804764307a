"""A finished document in the reader's units: texts as everywhere, curves by their values."""

from __future__ import annotations

from collections.abc import Iterable

from rushlight.analysis.paper.document import Block, Curve, Document, Heading, Listing, Paragraph, Table
from rushlight.collector.units import Display, fahrenheit, shown

__all__ = ["in_units"]


def in_units(document: Document, units: Display, names: Iterable[str] = ()) -> Document:
    """The same page for people who have those units; with "metric" it is unchanged, as `names` are always."""
    if units == "metric":
        return document
    kept = tuple(names)
    blocks = tuple(_block(block, units, kept) for block in document.blocks)
    return Document(shown(document.title, units, kept), shown(document.note, units, kept), blocks)


def _block(block: Block, units: Display, names: tuple[str, ...]) -> Block:
    match block:
        case Heading():
            return Heading(shown(block.text, units, names))
        case Paragraph():
            return block._replace(text=shown(block.text, units, names))
        case Listing():
            return Listing(tuple(shown(item, units, names) for item in block.items))
        case Table():
            rows = tuple(tuple(shown(cell, units, names) for cell in row) for row in block.rows)
            return Table(tuple(shown(cell, units, names) for cell in block.header), rows)
        case Curve():
            return _curve(block, units)


def _curve(curve: Curve, units: Display) -> Curve:
    if curve.unit != "°C":
        return curve
    band = None if curve.band is None else (fahrenheit(curve.band[0]), fahrenheit(curve.band[1]))
    points = [(x, _or_none(y)) for x, y in curve.points]
    around = [(x, _or_none(low), _or_none(high)) for x, low, high in curve.around]
    return curve._replace(unit=shown(curve.unit, units), points=points, band=band, around=around)


def _or_none(value: float | None) -> float | None:
    return None if value is None else fahrenheit(value)
