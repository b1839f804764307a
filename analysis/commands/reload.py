"""`rushlight reload`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["reload"]


@click.command()
@CONFIG
@PART
def reload(config: str, part: Part | None) -> int:
    """Read the settings again while `run` goes on, and say what changed.

    Nothing is lost by it: open alarms, what was learnt and unchanged connections go on. If anything in the
    file is wrong, or needs a restart ([store], except how long readings are kept), nothing is changed. New
    values of environment variables need a restart, too. The service does the same on SIGHUP; the log then
    says what changed or what is wrong.
    """
    from rushlight.analysis.service.reload_request import reload_all
    from rushlight.collector.errors import SettingsError

    try:
        reload_all(settings_of(config, part), say)
    except SettingsError as error:
        raise SettingsError(
            f"{error}\nNothing was changed: a service that runs goes on by its old settings."
        ) from None
    return 0
