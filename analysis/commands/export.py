"""`rushlight export`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part

__all__ = ["export"]


def _quantities(
    context: click.Context, parameter: click.Parameter, names: tuple[str, ...]
) -> tuple[str, ...]:
    from rushlight.collector.readings import QUANTITIES

    for name in names:
        if name not in QUANTITIES:
            raise click.BadParameter(f"{name!r} is no quantity; known are {', '.join(QUANTITIES)}")
    return names


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
@click.option(
    "--summary",
    type=click.Choice(["hourly", "daily"]),
    help="Lowest, mean and highest of each hour or day (UTC) instead; also where readings were dropped.",
)
@click.option(
    "--set-aside", is_flag=True, help="The last 1000 payloads that could not be read instead, and why."
)
@click.argument("file", metavar="FILE.csv|FILE.parquet")
def export(
    config: str,
    part: Part | None,
    tank: str | None,
    start: str | None,
    end: str | None,
    quantities: tuple[str, ...],
    local: bool,
    summary: Literal["hourly", "daily"] | None,
    set_aside: bool,
    file: str,
) -> int:
    """Write readings to a CSV or Parquet file; also while the service runs."""
    from rushlight.analysis.commands.transfer import export_readings, export_set_aside, export_summaries

    if set_aside:
        if summary or tank or start or end or quantities:
            raise click.UsageError("--set-aside goes with no other choice: a payload is of no tank and time")
        say(export_set_aside(settings_of(config, part), file))
        return 0
    if summary:
        say(export_summaries(settings_of(config, part), file, summary, tank, start, end, quantities))
        return 0
    say(export_readings(settings_of(config, part), file, tank, start, end, local, quantities))
    return 0
