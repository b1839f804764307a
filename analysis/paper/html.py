"""A document as one HTML file that needs nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.analysis.paper.document import Curve, Document

__all__ = ["html"]

_WIDE, _HIGH = 640.0, 130.0


def html(document: Document) -> str:
    """The page; everything that is filled in is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("rushlight.analysis.paper")
    pages = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    kinds = [(type(block).__name__, block) for block in document.blocks]
    return pages.get_template("document.html").render(
        document=document, kinds=kinds, lines=_lines, areas=_areas, level=_level, wide=_WIDE, high=_HIGH
    )


def _lines(curve: Curve) -> list[str]:
    """Points of its stretches, as SVG has them."""
    return [_path(curve, run) for run in curve.runs()]


def _areas(curve: Curve) -> list[str]:
    return [_path(curve, area) for area in curve.areas()]


def _path(curve: Curve, points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x * _WIDE:.1f},{_level(curve, y):.1f}" for x, y in points)


def _level(curve: Curve, y: float) -> float:
    low, high = curve.span()
    return _HIGH * (high - y) / (high - low)
