"""`rushlight invite`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["invite"]


@click.command()
@CONFIG
@PART
@click.argument("name", required=False)
@click.option("--tank", "tanks", multiple=True, metavar="TANK", help="Which tanks; left out: all.")
@click.option("--until", metavar="DATE", help="The last day, as 2026-03-14; by the first tank's clock.")
@click.option("--look", is_flag=True, help="Only to look; left out: may also say “I have done it”.")
@click.option("--phone", default="", metavar="NUMBER", help="Whom to call, shown with every alarm.")
@click.option("--words", default="", metavar="TEXT", help="What they should know.")
@click.option("--list", "listed", is_flag=True, help="Show the links that are open.")
@click.option("--revoke", metavar="ID", help="End a link before its time; --list shows the ids.")
def invite(
    config: str,
    part: Part | None,
    name: str | None,
    tanks: tuple[str, ...],
    until: str | None,
    look: bool,
    phone: str,
    words: str,
    listed: bool,
    revoke: str | None,
) -> int:
    """Make a link for who looks after the tanks: it needs no password, and ends by itself.

    \b
      rushlight invite "Ines, next door" --until 2026-03-14 --phone "+351 912 345 678"
      rushlight invite --list
      rushlight invite --revoke 4f1c09ab
    """
    from rushlight.analysis.service.page_access import invited, link_lines, revoked
    from rushlight.collector.service.listener import system_clock

    context = click.get_current_context()
    ways = [name is not None, listed, revoke is not None]
    if ways.count(True) != 1:
        raise click.UsageError("give the NAME of who it is for, or --list, or --revoke ID", context)
    settings = settings_of(config, part)
    now_ms = system_clock()
    if listed:
        lines = link_lines(settings, now_ms)
    elif revoke is not None:
        lines = [revoked(settings, revoke)]
    else:
        if until is None:
            raise click.UsageError("give the last day with --until", context)
        lines = invited(settings, name or "", tanks, until, not look, phone, words, now_ms)
    for line in lines:
        say(line)
    return 0
