"""One page for who looks after the tank: what to look at, what alarms mean, whom to call, what not to
touch.
"""

from __future__ import annotations

from typing import NamedTuple

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.alarms.rationale import RATIONALE, equipment_of, rationale_for
from rushlight.analysis.paper.document import Document, Heading, Listing, Paragraph, Table
from rushlight.collector.settings import TankSettings

__all__ = ["Sitter", "sitter_sheet"]


class Sitter(NamedTuple):
    """What the keeper typed for them."""

    start: str
    end: str
    call: tuple[str, ...] = ()
    feed: str = ""
    link: str = ""
    leave_alone: str = ""


def sitter_sheet(name: str, tank: TankSettings, sitter: Sitter) -> Document:
    """The page."""
    has, live = equipment_of(tank), tank.livestock
    alarms = [
        alarm
        for alarm, row in RATIONALE.items()
        if alarm != "setting-doubtful" and (row.family != "carbon dioxide" or tank.co2 is not None)
    ]
    rows = tuple(
        (row.title, row.consequence, (row.lines or [""])[0])
        for row in (rationale_for(alarm, has) for alarm in alarms)
    )
    cautions = [CAUTIONS["electrical"], CAUTIONS["animals"]]
    if tank.co2 is not None:
        cautions.insert(1, CAUTIONS["gas"])
    look = [
        f"Water temperature: {live.temperature_low_c:g} to {live.temperature_high_c:g} °C.",
        "All animals are there, swim as usual, and don't gasp at the surface.",
        "The filter runs, and the water is above the heater's mark.",
        "Nothing drips, nothing smells burnt. If it does: don't touch the water; switch off at the "
        "breaker, call.",
    ]
    if tank.light is not None:
        look.append("The lamp is on by day and off by night; its timer does that.")
    blocks = (
        Heading("First of all"),
        *(Paragraph(text, strong=True) for text in cautions),
        *(
            Paragraph(f"At the alarm “{rationale_for(alarm, has).title}”: {CAUTIONS['person-first']}", True)
            for alarm in alarms
            if "person-first" in rationale_for(alarm, has).cautions
        ),
        Heading("Look at this once a day"),
        Listing(tuple(look)),
        *((Paragraph(f"The tank's page: {sitter.link}"),) if sitter.link else ()),
        Heading("Feed"),
        Paragraph(sitter.feed or "Nothing, unless agreed. Too much food kills; a few days without do not."),
        Heading("Call"),
        Listing(sitter.call or ("(write a name and a number here)",)),
        Heading("Leave alone"),
        Paragraph(
            sitter.leave_alone
            or "Heater, timer, CO2, valves and settings. Add no medicine, no fertiliser, no tap water."
        ),
        Heading("What an alarm means, and the first step"),
        Table(("alarm", "what happens if nobody comes", "first step"), rows),
    )
    return Document(tank.title or name, f"For who looks after it, {sitter.start} to {sitter.end}", blocks)
