"""`rushlight compare`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, say, settings_of, temperature

__all__ = ["compare"]


@click.command()
@CONFIG
@click.argument("tank")
@click.argument("other", required=False)
@click.option(
    "--temperature-low",
    metavar="TEMPERATURE",
    help='The lowest that the animals to be moved can bear: in °C (°F with [display] units = "us"), '
    'or as "68 F".',
)
@click.option("--temperature-high", metavar="TEMPERATURE", help="The highest they can bear.")
def compare(
    config: str,
    tank: str,
    other: str | None,
    temperature_low: str | None,
    temperature_high: str | None,
) -> int:
    """Say whether animals may be moved into TANK, and whether the two waters match.

    OTHER is the tank or tub they come from, and its livestock's limits are theirs; left out, it is the second
    water that TANK's own device measures: then give their limits.
    """
    from rushlight.analysis.views.two_waters import comparison

    settings = settings_of(config)
    typed = (
        temperature("--temperature-low", temperature_low, settings),
        temperature("--temperature-high", temperature_high, settings),
    )
    for line in comparison(settings, tank, other, typed=typed):
        say(line)
    return 0
