"""`rushlight unshelve`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.alarm_words import QUANTITY, WHICH, answer
from rushlight.analysis.commands.options import CONFIG, PART

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["unshelve"]


@click.command()
@CONFIG
@PART
@WHICH
@QUANTITY
def unshelve(config: str, part: Part | None, words: tuple[str, ...], quantity: str) -> int:
    """End `shelve` early; the alarm is raised again if it is still true."""
    return answer(config, part, "unshelve", words, quantity, {})
