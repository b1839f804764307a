"""`rushlight export`."""

from __future__ import annotations

from typing import TYPE_CHECKING

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
    from rushlight.analysis.commands.transfer import export_readings

    say(export_readings(settings_of(config, part), file, tank, start, end, local, quantities))
    return 0
