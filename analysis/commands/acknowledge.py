"""`rushlight acknowledge`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.alarm_words import QUANTITY, WHICH, answer
from rushlight.analysis.commands.options import CONFIG, PART

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["acknowledge"]


@click.command()
@CONFIG
@PART
@WHICH
@QUANTITY
def acknowledge(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """Say that you have seen an alarm: it is not sent again.

    ALARM-ID is what a notice ends with, as in landing/co2-overdose/2026-01-16T23:36:00Z.
    """
    return answer(config, part, "acknowledge", words, quantity, {})
