"""`rushlight import`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["import_"]


@click.command("import")
@CONFIG
@PART
@click.argument("files", nargs=-1, required=True, metavar="FILE…")
def import_(config: str, part: Part | None, files: tuple[str, ...]) -> int:
    """Add the readings of CSV or Parquet files to the store; what it has already is left alone.

    The service must be stopped meanwhile.
    """
    from rushlight.analysis.commands.transfer import import_readings
    from rushlight.collector.service.listener import system_clock

    for line in import_readings(settings_of(config, part), files, system_clock()):
        say(line)
    return 0
