"""`rushlight backup`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["backup"]


@click.command()
@CONFIG
@PART
@click.argument("file", metavar="FILE.zip")
def backup(config: str, part: Part | None, file: str) -> int:
    """Keep the store and the settings in one file; also while the service runs."""
    import time
    from pathlib import Path

    from rushlight.collector.store.archive import write_archive
    from rushlight.collector.store.embedded import EmbeddedStore

    settings = settings_of(config, part)
    target = Path(file)
    with EmbeddedStore(settings.store_path(), read_only=True) as store:
        write_archive(store, Path(config), target, round(time.time() * 1000))
    size = target.stat().st_size / 1e6
    say(f"{target}: the store and the settings, {size:.1f} MB, checked. Keep it on another disk.")
    say("Not in it: what is in environment variables (addresses, passwords, tokens).")
    return 0
