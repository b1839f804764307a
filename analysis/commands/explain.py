"""`rushlight explain`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["explain"]


@click.command()
@CONFIG
@PART
@click.option("--png", metavar="FILE", help="Draw a picture instead of printing.")
@click.argument("alarm_id", metavar="ALARM-ID")
def explain(config: str, part: Part | None, png: str | None, alarm_id: str) -> int:
    """Show why an alarm was raised: the curve, what the model expected, the moment of decision.

    ALARM-ID is what notices and `rushlight status` name, as tank/co2-overdose/2026-03-01T02:14:10Z; without
    the time it is the latest one.
    """
    from rushlight.analysis.explain.answer import explain_alarm
    from rushlight.collector.service.listener import system_clock

    for line in explain_alarm(settings_of(config, part), alarm_id, png, system_clock(), sys.stderr):
        say(line)
    return 0
