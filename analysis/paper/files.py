"""A document as files: NAME.html and, where fpdf2 is installed, NAME.pdf."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from rushlight.analysis.paper.document import Document
from rushlight.analysis.paper.html import html
from rushlight.analysis.paper.pdf import pdf
from rushlight.analysis.paper.units import in_units
from rushlight.collector.errors import RushlightError
from rushlight.collector.units import Display

__all__ = ["write_paper"]


def write_paper(
    document: Document, name: str, units: Display = "metric", names: Iterable[str] = ()
) -> list[str]:
    """Write both in those units; a line for each, and what is missing. `names` of tanks stay as they are.

    RushlightError: a file can't be written.
    """
    document = in_units(document, units, names)
    base = Path(name)
    if base.suffix.lower() in (".html", ".pdf"):
        base = base.with_suffix("")
    said = []
    page, sheet = base.with_name(base.name + ".html"), base.with_name(base.name + ".pdf")
    try:
        page.write_text(html(document), encoding="utf-8")
        said.append(f"{page}: written")
        try:
            sheet.write_bytes(pdf(document))
            said.append(f"{sheet}: written")
        except RushlightError as error:
            said.append(f"no PDF: {error}")
    except OSError as error:
        raise RushlightError(f"{error.filename}: can't be written ({error.strerror}); name another") from None
    return said
