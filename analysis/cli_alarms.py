"""Commands by which people answer an alarm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from analysis.cli_options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from collector.parts import Part

__all__ = ["acknowledge", "shelve", "unshelve"]


_QUANTITY = click.option("--quantity", default="", help="Which probe, for an alarm about one.")


@click.command()
@CONFIG
@PART
@click.argument("tank")
@click.argument("alarm")
@_QUANTITY
def acknowledge(config: str, part: Part | None, tank: str, alarm: str, quantity: str) -> int:
    """Say that you have seen an alarm: it is not sent again."""
    return _ask(config, part, "acknowledge", tank, alarm, quantity, {})


@click.command()
@CONFIG
@PART
@click.argument("tank")
@click.argument("alarm")
@_QUANTITY
@click.option("--for", "span", required=True, metavar="SPAN", help="How long: 2h, 90min, 1d12h; 7d at most.")
def shelve(config: str, part: Part | None, tank: str, alarm: str, quantity: str, span: str) -> int:
    """Silence one alarm for a time, as before working on the tank."""
    from analysis.people import parse_span_ms

    try:
        for_ms = parse_span_ms(span)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--for") from None
    return _ask(config, part, "shelve", tank, alarm, quantity, {"for_ms": for_ms})


@click.command()
@CONFIG
@PART
@click.argument("tank")
@click.argument("alarm")
@_QUANTITY
def unshelve(config: str, part: Part | None, tank: str, alarm: str, quantity: str) -> int:
    """End a shelf early; the alarm is raised again if its condition stands."""
    return _ask(config, part, "unshelve", tank, alarm, quantity, {})


def _ask(
    config: str, part: Part | None, kind: str, tank: str, alarm: str, quantity: str, arguments: dict[str, int]
) -> int:
    from analysis.asking import ask

    say(ask(settings_of(config, part), kind, tank, alarm, quantity, arguments))
    return 0
