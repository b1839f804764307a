"""`rushlight replay`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, Within, moment_ms, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["replay"]


@click.command()
@CONFIG
@click.option("--events", metavar="FILE", help="Write the alarm events there, one JSON object a line.")
@click.option("--until", metavar="TIME", help="Go on up to this moment (RFC 3339) after the last reading.")
@click.option("--store", is_flag=True, help="Replay your own store instead of files, around a moment.")
@click.option("--around", metavar="TIME", help="That moment (RFC 3339; without offset by the tank's clock).")
@click.option("--hours", type=Within(0.1, 24 * 14), default=6, show_default=True, help="How far either way.")
@click.option("--tank", metavar="NAME", help="One tank of the store; all by default.")
@click.option("--beliefs", metavar="FILE.csv", help="Write what each detector believed there.")
@PART
@click.argument("readings", nargs=-1, metavar="[READINGS.csv…|BUNDLE.zip]")
def replay(
    config: str,
    events: str | None,
    until: str | None,
    store: bool,
    around: str | None,
    hours: float,
    tank: str | None,
    beliefs: str | None,
    part: Part | None,
    readings: tuple[str, ...],
) -> int:
    """Run the same analysis over recorded readings, or over your own store around a moment.

    All times come from the data. With --store it shows what happened then and what each detector believed:
    for an alarm that was missed, or one that was false. A file of `rushlight bundle` is replayed in the same
    way, with the settings that are in it.
    """
    if store:
        from rushlight.analysis.replay.around import replay_around
        from rushlight.collector.service.listener import system_clock

        if around is None:
            raise click.UsageError("--store needs --around TIME.")
        if readings or until is not None:
            raise click.UsageError("--store takes neither files nor --until.")
        settings = settings_of(config, part)
        now_ms = system_clock()
        replay_around(settings, around, hours, tank, events, beliefs, now_ms, sys.stdout, sys.stderr)
        return 0
    if not readings:
        raise click.UsageError("Missing argument 'READINGS.csv…' (or --store --around TIME).")
    if len(readings) == 1 and readings[0].lower().endswith(".zip"):
        from rushlight.analysis.replay.around import replay_file

        replay_file(readings[0], events, beliefs, sys.stdout)
        return 0
    if around is not None or tank is not None or beliefs is not None or part is not None:
        raise click.UsageError("--around, --tank, --beliefs and --part go with --store.")
    from rushlight.analysis.replay.progress import replay_with_progress

    say(replay_with_progress(config, readings, events, moment_ms("--until", until)))
    return 0
