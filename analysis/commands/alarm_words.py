"""Which alarm is meant, as all commands take it that answer one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["QUANTITY", "WHICH", "answer"]

WHICH = click.argument("words", nargs=-1, required=True, metavar="TANK ALARM | ALARM-ID")
QUANTITY = click.option(
    "--quantity", default="", help="Only of this probe, for an alarm about one; left out: of all."
)


def answer(
    config: str,
    part: Part | None,
    kind: str,
    words: tuple[str, ...],
    quantity: str,
    arguments: dict[str, int],
) -> int:
    """Ask the running service, and print what it says."""
    from rushlight.analysis.service.requests import ask, meant

    try:
        asked = meant(words, quantity)
    except ValueError as error:
        raise click.UsageError(str(error), click.get_current_context()) from None
    say(ask(settings_of(config, part), kind, asked, arguments))
    return 0
