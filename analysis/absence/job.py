"""What `rushlight away` does."""

from __future__ import annotations

import datetime
from collections.abc import Iterator

from rushlight.analysis.absence.checks import Leaving, leaving_points
from rushlight.analysis.absence.forecasts import FINE, LOOK, STAY
from rushlight.analysis.absence.sheet import Sitter, sitter_sheet
from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.paper.files import write_paper
from rushlight.analysis.service.inviting import invited
from rushlight.analysis.service.log_typing import log_store
from rushlight.collector.errors import SettingsError
from rushlight.collector.service import listener
from rushlight.collector.settings import Settings

__all__ = ["away_lines"]


def away_lines(
    settings: Settings, name: str, leaving: Leaving, sitter: Sitter, sheet: str | None, invite: str = ""
) -> Iterator[str]:
    """The answer, each point, and the sheet; `invite`: for whom a link until the return is made for it.

    Raises
    ------
    SettingsError
        No such tank, or dates that can't be.
    StoreError, RushlightError
        The store can't be read, or the sheet not written.
    """
    try:
        start, end = (datetime.date.fromisoformat(text) for text in (sitter.start, sitter.end))
    except ValueError:
        raise SettingsError("--from and --to: write days as 2026-03-01") from None
    if not 0 < (end - start).days <= 366:
        raise SettingsError("--to: must be behind --from, by a year at most")
    leaving = leaving._replace(days=float((end - start).days))
    with log_store(settings, name, read_only=True) as store:
        points = leaving_points(settings, store, name, leaving, listener.system_clock())
    worst = next(answer for answer in (STAY, LOOK, FINE) if any(one.answer == answer for one in points))
    title = settings.tanks[name].title or name
    yield f"{title}, {leaving.days:.0f} days away: {_WORDS[worst]}"
    wide = max(len(one.title) for one in points)
    for answer in (STAY, LOOK, FINE):
        for one in points:
            if one.answer == answer:
                yield f"  {answer:11}  {one.title:{wide}}  {one.words}"
    yield CAUTIONS["electrical"]
    if settings.tanks[name].co2 is not None:
        yield CAUTIONS["gas"]
    yield CAUTIONS["animals"]
    if sheet is not None:
        if invite:
            lines = invited(settings, invite, [name], sitter.end, True, "", "", listener.system_clock())
            sitter = sitter._replace(link=next(one.strip() for one in lines if "/visit/" in one))
            yield from lines
        page = sitter_sheet(name, settings.tanks[name], sitter)
        yield from write_paper(page, sheet, settings.display.units)


_WORDS = {
    STAY: "DON'T LEAVE before what is marked so is put right.",
    LOOK: "look at what is marked, then leave.",
    FINE: "you may leave.",
}
