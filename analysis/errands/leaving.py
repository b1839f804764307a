"""May you leave, and the sheet for who looks after the tank."""

from __future__ import annotations

import datetime
from zoneinfo import ZoneInfo

from rushlight.analysis.absence.checks import Leaving
from rushlight.analysis.absence.job import answered
from rushlight.analysis.absence.sheet import Sitter, sitter_sheet
from rushlight.analysis.errands.talk import Order, Talk
from rushlight.analysis.errands.typed import litres, number, temperature
from rushlight.analysis.paper.document import Document
from rushlight.analysis.paper.files import write_paper
from rushlight.analysis.paper.kept import SHEET, as_plain, keep_document, kept_document
from rushlight.analysis.paper.units import in_units
from rushlight.analysis.service.log_input import log_store
from rushlight.collector.service import listener
from rushlight.collector.settings import Settings
from rushlight.collector.units import titles

__all__ = ["away", "sheet"]


def away(settings: Settings, order: Order, talk: Talk) -> None:
    """As `rushlight away`, with its sheet, which the sitters' links show from then on."""
    now_ms = listener.system_clock()
    leaving = Leaving(
        0.0,
        temperature(order, "room-low", settings),
        temperature(order, "room-high", settings),
        litres(order, "evaporates", settings, 0, 100),
        number(order, "co2-days", 0, 1000),
    )
    sitter = Sitter(
        order.text("from") or "",
        order.text("to") or "",
        tuple(line.strip() for line in (order.text("call") or "").splitlines() if line.strip()),
        " ".join((order.text("feed") or "").split()),
        order.text("link") or "",
        " ".join((order.text("leave-alone") or "").split()),
    )
    found = answered(settings, order.tank, leaving, sitter, now_ms)
    talk.tell(answer=found.words)
    for point in found.points:
        talk.tell(point=list(point))
    for text in found.cautions:
        talk.tell(caution=text)
    with log_store(settings, order.tank) as store:
        keep_document(store, SHEET, order.tank, found.sheet, found.until, now_ms)
    for line in _written(settings, found.sheet, order):
        if line.startswith("no PDF"):
            talk.line(line)


def sheet(settings: Settings, order: Order, talk: Talk) -> None:
    """The sheet that is kept, while it is for a day to come; else one by the settings and the sitter's link.

    Fields: `since` and `until` (days) and `call`, of the link; `paper` "yes": as a PDF.
    """
    now_ms = listener.system_clock()
    tank = settings.tanks[order.tank]
    today = datetime.datetime.fromtimestamp(now_ms / 1000, ZoneInfo(tank.timezone)).date()
    with log_store(settings, order.tank, read_only=True) as store:
        kept = kept_document(store, SHEET, order.tank)
    if kept is not None and kept.until >= today:
        document = kept.document
    else:
        call = order.text("call")
        sitter = Sitter(
            order.text("since") or f"{today}", order.text("until") or "your return", (call,) if call else ()
        )
        document = sitter_sheet(order.tank, tank, sitter)
    talk.tell(paper=as_plain(in_units(document, settings.display.units, titles(settings.tanks))))
    if order.text("paper") == "yes":
        for line in _written(settings, document, order):
            if line.startswith("no PDF"):
                talk.line(line)


def _written(settings: Settings, document: Document, order: Order) -> list[str]:
    units = settings.display.units
    return write_paper(document, str(order.place("sheet")), units, titles(settings.tanks))
