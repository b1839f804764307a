"""`rushlight compare`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, say, settings_of

__all__ = ["compare"]


@click.command()
@CONFIG
@click.argument("tank")
@click.argument("other", required=False)
@click.option(
    "--temperature-low",
    type=float,
    metavar="CELSIUS",
    help="The lowest that the animals to be moved can bear.",
)
@click.option("--temperature-high", type=float, metavar="CELSIUS", help="The highest they can bear.")
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
    from rushlight.analysis.views.two_waters import comparison

    typed = (temperature_low, temperature_high)
    for line in comparison(settings_of(config), tank, other, typed=typed):
        say(line)
    return 0
