"""`rushlight out-of-service`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.alarm_words import QUANTITY, WHICH, answer
from rushlight.analysis.commands.options import CONFIG, PART

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["out_of_service"]


@click.command("out-of-service")
@CONFIG
@PART
@WHICH
@QUANTITY
def out_of_service(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """Silence one alarm until you return it to service.

    For what is away longer than `shelve` can last (7 days): a cooler in winter, a probe that is
    away for repair. `rushlight status` and the page go on saying that it is out of service.
    """
    return answer(config, part, "out-of-service", words, quantity, {})
