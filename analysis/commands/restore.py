"""`rushlight restore`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, say, settings_of

__all__ = ["restore"]


@click.command()
@CONFIG
@click.option("--store", metavar="FILE.db", help="Where the store goes; as the settings say by default.")
@click.argument("file", metavar="FILE.zip")
def restore(config: str, store: str | None, file: str) -> int:
    """Bring a backup back; the service must not run. A store that is there is kept beside it.

    Settings are written only where there are none yet.
    """
    from datetime import datetime
    from pathlib import Path

    from rushlight.collector.store.archive import read_archive
    from rushlight.collector.store.service_lock import ServiceLock

    place = Path(config)
    path = Path(store) if store else None
    if path is None:
        path = Path(settings_of(config).store_path()) if place.exists() else place.parent / "rushlight.db"
    with ServiceLock(path):
        about, aside = read_archive(Path(file), path, place)
    made = datetime.fromtimestamp(about.made_ms / 1000)
    say(f"{path}: restored as it was on {made:%Y-%m-%d at %H:%M}, checked.")
    for there in aside:
        say(f"What was there is now {there}.")
    say("Start the service again: `rushlight run`.")
    return 0
