"""`rushlight backup` and `rushlight restore`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["backup", "restore"]


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


@click.command()
@CONFIG
@click.option("--store", metavar="FILE.db", help="Where the store goes; as the settings say by default.")
@click.argument("file", metavar="FILE.zip")
def restore(config: str, store: str | None, file: str) -> int:
    """Bring a backup back; the service must not run. A store that is there is kept beside it.

    Settings are written only where there are none yet.
    """
    from datetime import UTC, datetime
    from pathlib import Path

    from rushlight.collector.store.archive import read_archive
    from rushlight.collector.store.service_lock import ServiceLock

    place = Path(config)
    path = Path(store) if store else None
    if path is None:
        path = Path(settings_of(config).store_path()) if place.exists() else place.parent / "rushlight.db"
    with ServiceLock(path):
        about, aside = read_archive(Path(file), path, place)
    made = datetime.fromtimestamp(about.made_ms / 1000, UTC)
    say(f"{path}: restored as it was on {made:%Y-%m-%d at %H:%M} UTC, checked.")
    for there in aside:
        say(f"What was there is now {there}.")
    say("Start the service again: `rushlight run`.")
    return 0
