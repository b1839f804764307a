"""`rushlight verdict`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["verdict"]


@click.command()
@CONFIG
@PART
@click.argument("alarm_id", metavar="ALARM-ID")
@click.option("--right", is_flag=True, help="It was as the alarm said.")
@click.option("--false", "false_", is_flag=True, help="There was nothing: a false alarm.")
@click.option("--was", default="", metavar="WORDS", help="It was something else: what.")
def verdict(config: str, part: Part | None, alarm_id: str, right: bool, false_: bool, was: str) -> int:
    """Note whether an alarm was right: for your own statistics, and for `report`.

    ALARM-ID is what a notice ends with, as in landing/co2-overdose/2026-01-16T23:36:00Z.
    """
    from rushlight.analysis.service.requests import ask, meant

    if [right, false_, bool(was)].count(True) != 1:
        raise click.UsageError("say one of --right, --false or --was WORDS", click.get_current_context())
    try:
        asked = meant([alarm_id])
    except ValueError as error:
        raise click.UsageError(str(error), click.get_current_context()) from None
    arguments = {"verdict": "right" if right else "false" if false_ else "other", "was": was}
    say(ask(settings_of(config, part), "verdict", asked, arguments))
    return 0
