"""What `rushlight away` does."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from typing import NamedTuple

from rushlight.analysis.absence.checks import Leaving, leaving_points
from rushlight.analysis.absence.forecasts import FINE, LOOK, STAY, Point
from rushlight.analysis.absence.sheet import Sitter, sitter_sheet
from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.paper.document import Document
from rushlight.analysis.paper.files import write_paper
from rushlight.analysis.paper.kept import SHEET, keep_document
from rushlight.analysis.service.log_input import log_store
from rushlight.analysis.service.page_access import invited
from rushlight.collector.errors import SettingsError
from rushlight.collector.service import listener
from rushlight.collector.settings import Settings
from rushlight.collector.units import titles

__all__ = ["Answered", "answered", "away_lines"]


class Answered(NamedTuple):
    """What it comes to, in words; the points, the worst first; cautions; the sheet, and its last day."""

    words: str
    points: list[Point]
    cautions: tuple[str, ...]
    sheet: Document
    until: datetime.date


def answered(settings: Settings, name: str, leaving: Leaving, sitter: Sitter, now_ms: int) -> Answered:
    """May they leave?

    Raises
    ------
    SettingsError
        No such tank, or dates that can't be.
    StoreError
        The store can't be read.
    """
    try:
        start, end = (datetime.date.fromisoformat(text) for text in (sitter.start, sitter.end))
    except ValueError:
        raise SettingsError("--from and --to: write days as 2026-03-01") from None
    if not 0 < (end - start).days <= 366:
        raise SettingsError("--to: must be behind --from, by a year at most")
    leaving = leaving._replace(days=float((end - start).days))
    with log_store(settings, name, read_only=True) as store:
        found = leaving_points(settings, store, name, leaving, now_ms)
    tank = settings.tanks[name]
    points = [one for answer in (STAY, LOOK, FINE) for one in found if one.answer == answer]
    cautions = [CAUTIONS["electrical"], CAUTIONS["animals"]]
    if tank.co2 is not None:
        cautions.insert(1, CAUTIONS["gas"])
    words = f"{tank.title or name}, {leaving.days:.0f} days away: {_WORDS[points[0].answer]}"
    return Answered(words, points, tuple(cautions), sitter_sheet(name, tank, sitter), end)


def away_lines(
    settings: Settings, name: str, leaving: Leaving, sitter: Sitter, sheet: str | None, invite: str = ""
) -> Iterator[str]:
    """The answer, each point, and the sheet; who has a sitter's link is shown that sheet, too.

    `invite`: for whom a link until the return is made, to be on the sheet.

    Raises
    ------
    SettingsError
        No such tank, or dates that can't be.
    StoreError, RushlightError
        The store can't be read, or the sheet not written.
    """
    now_ms = listener.system_clock()
    found = answered(settings, name, leaving, sitter, now_ms)
    yield found.words
    wide = max(len(one.title) for one in found.points)
    for one in found.points:
        yield f"  {one.answer:11}  {one.title:{wide}}  {one.words}"
    yield from found.cautions
    if sheet is not None:
        page = found.sheet
        if invite:
            lines = invited(settings, invite, [name], sitter.end, True, "", "", now_ms)
            sitter = sitter._replace(link=next(one.strip() for one in lines if "/visit/" in one))
            page = sitter_sheet(name, settings.tanks[name], sitter)
            yield from lines
        yield from write_paper(page, sheet, settings.display.units, titles(settings.tanks))
        with log_store(settings, name) as store:
            # as it is without the link: that is a secret, and who reads it there has come by it
            keep_document(store, SHEET, name, found.sheet, found.until, now_ms)
        yield "Whoever has a link to the page (`rushlight invite`) is shown this sheet there, too."


_WORDS = {
    STAY: "DON'T LEAVE before what is marked so is put right.",
    LOOK: "look at what is marked, then leave.",
    FINE: "you may leave.",
}
