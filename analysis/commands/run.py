"""`rushlight run`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["run"]


@click.command()
@CONFIG
@PART
@click.option("--verbose", is_flag=True, help="Log more.")
def run(config: str, part: Part | None, verbose: bool) -> int:
    """Collect, store, watch and alert until it is stopped."""
    import logging

    settings = settings_of(config)
    from rushlight.analysis.service.run import run_service
    from rushlight.collector.log import log_to
    from rushlight.collector.service.deadline import Ending

    log_to(sys.stderr, logging.DEBUG if verbose else logging.INFO)

    ending = Ending()
    ending.be_forced()
    return 0 if run_service(settings, part=part, ending=ending) else 1
