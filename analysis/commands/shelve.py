"""`rushlight shelve`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.alarm_words import QUANTITY, WHICH, answer
from rushlight.analysis.commands.options import CONFIG, PART, parse_span_ms

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["shelve"]


@click.command()
@CONFIG
@PART
@WHICH
@QUANTITY
@click.option("--for", "span", required=True, metavar="SPAN", help="How long: 2h, 90min, 1d12h; 7d at most.")
def shelve(config: str, part: Part | None, words: tuple[str, ...], quantity: str, span: str) -> int:
    """Silence one alarm for a time, as before working on the tank."""
    try:
        for_ms = parse_span_ms(span)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--for") from None
    return answer(config, part, "shelve", words, quantity, {"for_ms": for_ms})
