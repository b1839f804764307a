"""`rushlight hands`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, parse_span_ms, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["hands"]


@click.command()
@CONFIG
@PART
@click.argument("tank")
@click.option("--for", "span", default="30min", show_default=True, metavar="SPAN", help="At most 2h.")
@click.option("--end", "over", is_flag=True, help="Your hands are out again.")
def hands(config: str, part: Part | None, tank: str, span: str, over: bool) -> int:
    """Your hands go into a tank: alarms that hands cause are silent meanwhile, those of what kills are not.

    It ends by itself. Unplug the mains devices at the wall before a hand goes in, and plug them in again.
    """
    from rushlight.analysis.service.requests import ask_of_tank

    try:
        arguments = {} if over else {"for_ms": parse_span_ms(span)}
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--for") from None
    say(ask_of_tank(settings_of(config, part), "hands-over" if over else "hands", tank, arguments))
    return 0
