"""`rushlight check`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, say, settings_of

__all__ = ["check"]


@click.command()
@CONFIG
def check(config: str) -> int:
    """Read the settings and say, in words, what is wrong and what will be watched."""
    from rushlight.analysis.views.overview import hints, overview

    settings = settings_of(config)
    say(overview(settings))
    for hint in hints(settings):
        say(f"hint: {hint}", err=True)
    return 0
