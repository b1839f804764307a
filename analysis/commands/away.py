"""`rushlight away`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, Within, litres, say, settings_of, temperature

__all__ = ["away"]


@click.command()
@CONFIG
@click.argument("tank")
@click.option("--from", "start", required=True, metavar="DAY", help="The day you leave, as 2026-03-01.")
@click.option("--to", "end", required=True, metavar="DAY", help="The day you are back.")
@click.option(
    "--room-low",
    metavar="TEMPERATURE",
    help='The coldest that the room may get: in °C (°F with [display] units = "us"), or as "60 F"; '
    "left out: as in the last 14 days.",
)
@click.option("--room-high", metavar="TEMPERATURE", help="The warmest that it may get.")
@click.option(
    "--evaporates",
    metavar="LITRES",
    help='Water that evaporates a day: in litres (gallons in "us"), or as "1 gal".',
)
@click.option("--co2-days", type=Within(0, 1000), help="Days that reactor or cylinder still lasts.")
@click.option("--sheet", metavar="NAME", help="Write the sitter's page as NAME.html and NAME.pdf.")
@click.option("--call", multiple=True, help="For the sheet: whom to call; once for each.")
@click.option("--feed", default="", help="For the sheet: what to feed, and when.")
@click.option("--leave-alone", default="", help="For the sheet: what not to touch.")
@click.option("--link", default="", help="For the sheet: where the tank's page is.")
@click.option(
    "--sitter",
    default="",
    metavar="NAME",
    help="Make a link to the page for NAME, until your return, and write it on the sheet.",
)
def away(
    config: str,
    tank: str,
    start: str,
    end: str,
    room_low: str | None,
    room_high: str | None,
    evaporates: str | None,
    co2_days: float | None,
    sheet: str | None,
    call: tuple[str, ...],
    feed: str,
    leave_alone: str,
    link: str,
    sitter: str,
) -> int:
    """May you leave? Each point: fine, look, or don't leave, with the number behind it.

    With --sheet also one page for who looks after the tank.
    """
    from rushlight.analysis.absence.checks import Leaving
    from rushlight.analysis.absence.job import away_lines
    from rushlight.analysis.absence.sheet import Sitter

    settings = settings_of(config)
    room = (
        temperature("--room-low", room_low, settings),
        temperature("--room-high", room_high, settings),
    )
    leaving = Leaving(0.0, *room, litres("--evaporates", evaporates, settings, 0, 100), co2_days)
    told = Sitter(start, end, call, feed, link, leave_alone)
    if sitter and not sheet:
        raise click.UsageError("--sitter goes with --sheet: the link is written on it")
    for line in away_lines(settings, tank, leaving, told, sheet, sitter):
        say(line)
    return 0
