"""A document as PDF, by the package fpdf2 (pure Python)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rushlight.analysis.paper.document import Curve, Document, Heading, Listing, Paragraph, Table
from rushlight.collector.errors import RushlightError

if TYPE_CHECKING:
    from fpdf import FPDF

__all__ = ["pdf"]

_FONTS = (
    Path("/usr/share/fonts/truetype/dejavu"),
    Path("/usr/share/fonts/dejavu"),
    Path("/usr/share/fonts/TTF"),
)
_HIGH = 26.0  # mm, of a curve
_SIDE = 10.0  # mm, left of it for its numbers
_PLAIN = str.maketrans({"–": "-", "’": "'", "≥": ">=", "≤": "<=", "→": "->", "−": "-", "…": "...", "₂": "2"})


def pdf(document: Document) -> bytes:
    """The file's bytes.

    Letters that the font lacks are replaced: where DejaVu is not installed (Debian's fonts-dejavu-core),
    all that is not Western European.

    Raises
    ------
    RushlightError
        The package fpdf2 is not installed.
    """
    try:
        from fpdf import FPDF
    except ImportError:
        raise RushlightError(
            "a PDF needs the package fpdf2: `pip install 'rushlight[paper]'`, or print the .html"
        ) from None
    page = FPDF(format="A4")
    page.set_auto_page_break(True, 15)
    page.add_page()
    writer = _Writer(page)
    page.set_title(writer.text(document.title))
    writer.line(document.title, 17, bold=True)
    writer.line(document.note, 9)
    for block in document.blocks:
        writer.block(block)
    return bytes(page.output())


class _Writer:
    def __init__(self, page: FPDF) -> None:
        self._page = page
        self._font = "Helvetica"
        for folder in _FONTS:
            plain, bold = folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf"
            if plain.exists() and bold.exists():
                page.add_font("DejaVu", "", plain)
                page.add_font("DejaVu", "B", bold)
                self._font = "DejaVu"
                break

    def text(self, text: str) -> str:
        if self._font == "DejaVu":
            return text
        return text.translate(_PLAIN).encode("latin-1", "replace").decode("latin-1")

    def line(self, text: str, size: float, bold: bool = False) -> None:
        self._page.set_font(self._font, "B" if bold else "", size)
        self._page.multi_cell(0, size * 0.45, self.text(text), new_x="LMARGIN", new_y="NEXT")

    def block(self, block: object) -> None:
        page = self._page
        if isinstance(block, Heading):
            page.ln(4)
            if page.will_page_break(20):
                page.add_page()
            self.line(block.text, 12, bold=True)
            page.ln(1)
        elif isinstance(block, Paragraph):
            self.line(block.text, 10, bold=block.strong)
            page.ln(1)
        elif isinstance(block, Listing):
            for item in block.items:
                self.line(f"- {item}", 10)
        elif isinstance(block, Table):
            page.set_font(self._font, "", 9)
            with page.table(text_align="LEFT", line_height=4.5, borders_layout="HORIZONTAL_LINES") as table:
                for row in (block.header, *block.rows):
                    table.row([self.text(cell) for cell in row])
            page.ln(1)
        elif isinstance(block, Curve):
            self._curve(block)

    def _curve(self, curve: Curve) -> None:
        page = self._page
        if page.will_page_break(_HIGH + 14):
            page.add_page()
        low, high = curve.span()
        self.line(f"{curve.title}: {low:.4g} to {high:.4g} {curve.unit}", 9)
        left, top, wide = page.l_margin + _SIDE, page.get_y() + 4, page.epw - _SIDE

        def at(x: float, y: float) -> tuple[float, float]:
            return left + x * wide, top + _HIGH * (high - y) / (high - low)

        page.set_draw_color(200, 200, 200)
        page.rect(left, top, wide, _HIGH)
        page.set_font(self._font, "", 7)
        for x, text in curve.labels:
            page.line(left + x * wide, top, left + x * wide, top + _HIGH)
            page.text(left + x * wide + 0.5, top + _HIGH + 3, self.text(text))
        for value in curve.ticks():
            page.line(left - 1, at(0, value)[1], left, at(0, value)[1])
            number = f"{value:.4g}"
            page.text(left - 1.5 - page.get_string_width(number), at(0, value)[1] + 1, number)
        page.set_fill_color(219, 228, 233)
        for area in curve.areas():
            page.polygon([at(x, y) for x, y in area], style="F")
        page.set_draw_color(122, 90, 0)
        for x, text in curve.marks:
            page.line(left + x * wide, top, left + x * wide, top + _HIGH)
            page.text(
                left + x * wide - page.get_string_width(self.text(text)) / 2, top - 0.7, self.text(text)
            )
        page.set_draw_color(138, 28, 28)
        for value in curve.band or ():
            if low <= value <= high:
                page.line(*at(0, value), *at(1, value))
        page.set_draw_color(17, 74, 107)
        for run in curve.runs():
            page.polyline([at(x, y) for x, y in run])
        page.set_draw_color(0, 0, 0)
        page.set_y(top + _HIGH + 5)
