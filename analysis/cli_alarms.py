"""Commands by which people answer an alarm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from analysis.cli_options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from collector.parts import Part

__all__ = ["acknowledge", "shelve", "unshelve"]


_WHICH = click.argument("words", nargs=-1, required=True, metavar="TANK ALARM | ALARM-ID")
_QUANTITY = click.option(
    "--quantity", default="", help="Only of this probe, for an alarm about one; left out: of all."
)


@click.command()
@CONFIG
@PART
@_WHICH
@_QUANTITY
def acknowledge(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """Say that you have seen an alarm: it is not sent again.

    ALARM-ID is what a notice ends with, as in landing/co2-overdose/2026-01-16T23:36:00Z.
    """
    return _ask(config, part, "acknowledge", words, quantity, {})


@click.command()
@CONFIG
@PART
@_WHICH
@_QUANTITY
@click.option("--for", "span", required=True, metavar="SPAN", help="How long: 2h, 90min, 1d12h; 7d at most.")
def shelve(config: str, part: Part | None, words: tuple[str, ...], quantity: str, span: str) -> int:
    """Silence one alarm for a time, as before working on the tank."""
    from analysis.people import parse_span_ms

    try:
        for_ms = parse_span_ms(span)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--for") from None
    return _ask(config, part, "shelve", words, quantity, {"for_ms": for_ms})


@click.command()
@CONFIG
@PART
@_WHICH
@_QUANTITY
def unshelve(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """End a shelf early; the alarm is raised again if its condition stands."""
    return _ask(config, part, "unshelve", words, quantity, {})


def _ask(
    config: str,
    part: Part | None,
    kind: str,
    words: tuple[str, ...],
    quantity: str,
    arguments: dict[str, int],
) -> int:
    from analysis.asking import ask, meant

    try:
        asked = meant(words, quantity)
    except ValueError as error:
        raise click.UsageError(str(error), click.get_current_context()) from None
    say(ask(settings_of(config, part), kind, asked, arguments))
    return 0
