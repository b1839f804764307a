"""`rushlight return-to-service`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.alarm_words import QUANTITY, WHICH, answer
from rushlight.analysis.commands.options import CONFIG, PART

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["return_to_service"]


@click.command("return-to-service")
@CONFIG
@PART
@WHICH
@QUANTITY
def return_to_service(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """End `out-of-service`; the alarm is raised again if its condition holds."""
    return answer(config, part, "return-to-service", words, quantity, {})
