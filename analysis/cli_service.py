"""Commands of the service and of what it needs: run it, check it, try it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.cli_options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from collector.parts import Part

__all__ = ["check", "demo", "notice_test", "run", "status"]


@click.command()
@click.option(
    "--directory", type=click.Path(path_type=Path), help="Where to leave the store; kept afterwards."
)
@click.option("--seconds", type=click.FloatRange(min=1), help="About how long it should take.")
def demo(directory: Path | None, seconds: float | None) -> int:
    """Show the whole job on a simulated tank, compressed in time: no hardware, no server."""
    from analysis.demo import run_demo

    return run_demo(directory, seconds, sys.stdout)


@click.command()
@CONFIG
@PART
@click.option("--verbose", is_flag=True, help="Log more.")
def run(config: str, part: Part | None, verbose: bool) -> int:
    """Collect, store, watch and alert until it is stopped."""
    import logging

    settings = settings_of(config)
    from analysis.running import run_service
    from collector.ending import Ending
    from collector.log import log_to

    log_to(sys.stderr, logging.DEBUG if verbose else logging.INFO)

    ending = Ending()
    ending.be_forced()
    return 0 if run_service(settings, part=part, ending=ending) else 1


@click.command()
@CONFIG
def check(config: str) -> int:
    """Read the settings and say, in words, what is wrong and what will be watched."""
    from analysis.checking import hints, overview

    settings = settings_of(config)
    say(overview(settings))
    for hint in hints(settings):
        say(f"hint: {hint}", err=True)
    return 0


@click.command()
@CONFIG
@PART
def status(config: str, part: Part | None) -> int:
    """Show on one screen how the tanks are, from the store; also while the service runs.

    Where several collectors share the tanks, one after the other, or the one of --part.
    """
    from contextlib import closing

    from analysis.status import print_status
    from collector.parts import parts_present, settings_of_part
    from collector.service import system_clock
    from collector.store.embedded import EmbeddedStore

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


@click.command("notice-test")
@CONFIG
def notice_test(config: str) -> int:
    """Send a test notice to every target and say which took it."""
    from analysis.asking import send_test

    return send_test(settings_of(config), say)
