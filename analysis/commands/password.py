"""`rushlight password`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["password"]


@click.command()
@CONFIG
@PART
def password(config: str, part: Part | None) -> int:
    """Set the password of the status page; every browser has to log in again.

    It is asked for twice, or read from standard input where that is no terminal. At first start the page can
    also be opened with the code that `rushlight run` prints.
    """
    import sys

    from rushlight.analysis.service.page_access import set_password
    from rushlight.collector.service.listener import system_clock

    settings = settings_of(config, part)
    if sys.stdin.isatty():
        given = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    else:
        given = sys.stdin.readline().rstrip("\r\n")
    say(set_password(settings, given, system_clock()))
    return 0
