"""Commands that look back: at readings, alarms and waters in the store or in files."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from analysis.cli_options import CONFIG, PART, moment_ms, say, settings_of

if TYPE_CHECKING:
    from collector.parts import Part

__all__ = ["compare", "explain", "export", "import_", "replay"]


def _quantities(
    context: click.Context, parameter: click.Parameter, names: tuple[str, ...]
) -> tuple[str, ...]:
    from collector.readings import QUANTITIES

    for name in names:
        if name not in QUANTITIES:
            raise click.BadParameter(f"{name!r} is no quantity; known are {', '.join(QUANTITIES)}")
    return names


@click.command()
@CONFIG
@click.option("--events", metavar="FILE", help="Write the alarm events there, one JSON object a line.")
@click.option(
    "--until", metavar="TIME", help="Let time pass up to this moment (RFC 3339) behind the last reading."
)
@click.option("--store", is_flag=True, help="Replay the own store instead of files, around a moment.")
@click.option("--around", metavar="TIME", help="That moment (RFC 3339; without offset by the tank's clock).")
@click.option(
    "--hours", type=click.FloatRange(0.1, 24 * 14), default=6, show_default=True, help="How far either way."
)
@click.option("--tank", metavar="NAME", help="One tank of the store; all by default.")
@click.option("--beliefs", metavar="FILE.csv", help="Write what each detector believed there.")
@PART
@click.argument("readings", nargs=-1, metavar="[READINGS.csv…]")
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
    """Run the same analysis over recorded readings, or over the own store around a moment.

    All times come from the data. With --store it shows what happened then and what each detector believed:
    for an alarm that was missed, or one that was false.
    """
    if store:
        from analysis.replay_around import replay_around
        from collector.service import system_clock

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
    if around is not None or tank is not None or beliefs is not None or part is not None:
        raise click.UsageError("--around, --tank, --beliefs and --part go with --store.")
    from analysis.replaying import replay_with_progress

    say(replay_with_progress(config, readings, events, moment_ms("--until", until)))
    return 0


@click.command()
@CONFIG
@PART
@click.option("--png", metavar="FILE", help="Draw a picture instead of printing.")
@click.argument("alarm_id", metavar="ALARM-ID")
def explain(config: str, part: Part | None, png: str | None, alarm_id: str) -> int:
    """Show why an alarm was raised: the curve, what the model expected, the moment of decision.

    ALARM-ID is what notices and `rushlight status` name, as tank/co2-overdose/2026-03-01T02:14:10Z; without
    the time it is the latest one.
    """
    from analysis.explaining import explain_alarm
    from collector.service import system_clock

    for line in explain_alarm(settings_of(config, part), alarm_id, png, system_clock(), sys.stderr):
        say(line)
    return 0


@click.command()
@CONFIG
@click.argument("tank")
@click.argument("other", required=False)
@click.option(
    "--temperature-low", type=float, metavar="CELSIUS", help="The lowest that the animals to be moved stand."
)
@click.option("--temperature-high", type=float, metavar="CELSIUS", help="The highest they stand.")
def compare(
    config: str,
    tank: str,
    other: str | None,
    temperature_low: float | None,
    temperature_high: float | None,
) -> int:
    """Say whether animals may be moved into TANK, and whether the two waters match.

    OTHER is the tank or tub they come from, and its livestock's limits are theirs; left out, it is the second
    water that TANK's own device measures: then give their limits.
    """
    from analysis.comparing import comparison

    typed = (temperature_low, temperature_high)
    for line in comparison(settings_of(config), tank, other, typed=typed):
        say(line)
    return 0


@click.command()
@CONFIG
@PART
@click.option("--tank", metavar="NAME", help="One tank; all by default.")
@click.option(
    "--from", "start", metavar="TIME", help="From this moment on (RFC 3339, or by the tank's clock)."
)
@click.option("--to", "end", metavar="TIME", help="Before this moment.")
@click.option(
    "--quantity",
    "quantities",
    multiple=True,
    metavar="NAME",
    callback=_quantities,
    help="Only this one, as ph; several where it is given again.",
)
@click.option("--local", is_flag=True, help="From the local file, although the settings name a server.")
@click.argument("file", metavar="FILE.csv|FILE.parquet")
def export(
    config: str,
    part: Part | None,
    tank: str | None,
    start: str | None,
    end: str | None,
    quantities: tuple[str, ...],
    local: bool,
    file: str,
) -> int:
    """Write readings to a CSV or Parquet file; also while the service runs."""
    from analysis.tables import export_readings

    say(export_readings(settings_of(config, part), file, tank, start, end, local, quantities))
    return 0


@click.command("import")
@CONFIG
@PART
@click.argument("files", nargs=-1, required=True, metavar="FILE…")
def import_(config: str, part: Part | None, files: tuple[str, ...]) -> int:
    """Add the readings of CSV or Parquet files to the store; what it has already is left alone.

    The service must be stopped meanwhile.
    """
    from analysis.tables import import_readings
    from collector.service import system_clock

    for line in import_readings(settings_of(config, part), files, system_clock()):
        say(line)
    return 0
