"""`rushlight status`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["status"]


@click.command()
@CONFIG
@PART
def status(config: str, part: Part | None) -> int:
    """Show on one screen how the tanks are, from the store; also while the service runs.

    Where several collectors share the tanks, one after the other, or the one of --part.
    """
    from contextlib import closing

    from rushlight.analysis.views.status import print_status
    from rushlight.collector.service.listener import system_clock
    from rushlight.collector.service.parts import parts_present, settings_of_part
    from rushlight.collector.store.embedded import EmbeddedStore

    settings = settings_of(config, part)
    shown = [settings]
    if part is None:
        shown = [settings_of_part(settings, one) for one in parts_present(settings)] or shown
    for number, own in enumerate(shown):
        if number:
            say()
        with closing(EmbeddedStore(own.store_path(), read_only=True)) as store:
            print_status(own, store, system_clock(), sys.stdout)
    return 0
