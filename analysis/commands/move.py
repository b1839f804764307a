"""`rushlight move`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import (
    CONFIG,
    Hardness,
    Within,
    litres,
    say,
    settings_of,
    temperature,
)

__all__ = ["move"]


@click.command()
@CONFIG
@click.argument("tank")
@click.argument("other", required=False)
@click.option(
    "--species", metavar="NAME", help="Species whose limits count, too; your own go into animals.toml."
)
@click.option(
    "--temperature",
    "celsius",
    metavar="TEMPERATURE",
    help="Temperature of the water they are in, where you type it.",
)
@click.option("--ph", type=Within(3, 11), help="pH of that water.")
@click.option("--kh", type=Hardness("dKH", 40), help="KH of that water, dKH.")
@click.option("--gh", type=Hardness("dGH", 60), help="GH of that water, dGH.")
@click.option(
    "--tank-temperature", metavar="TEMPERATURE", help="Temperature of TANK's water, where you type it."
)
@click.option("--tank-kh", type=Hardness("dKH", 40), help="KH of TANK; left out: from its log or settings.")
@click.option("--tank-gh", type=Hardness("dGH", 60), help="GH of TANK.")
@click.option("--temperature-low", metavar="TEMPERATURE", help="The lowest that the animals can bear.")
@click.option("--temperature-high", metavar="TEMPERATURE", help="The highest.")
@click.option("--night", metavar="TEMPERATURE", help="How cold the coldest night ahead will be at the tub.")
@click.option("--water", metavar="LITRES", help="Water they are carried in; 4 L if left out.")
@click.option("--container", metavar="LITRES", help="What the container holds; 12 L if left out.")
@click.option(
    "--follow", is_flag=True, help="Live, with a probe in the container: says at each step what to do."
)
def move(
    config: str,
    tank: str,
    other: str | None,
    species: str | None,
    celsius: str | None,
    ph: float | None,
    kh: float | None,
    gh: float | None,
    tank_temperature: str | None,
    tank_kh: float | None,
    tank_gh: float | None,
    temperature_low: str | None,
    temperature_high: str | None,
    night: str | None,
    water: str | None,
    container: str | None,
    follow: bool,
) -> int:
    """May these animals go into TANK: go, wait or don't, and how the waters are brought together.

    OTHER is the tank or tub they come from; left out, it is the second water that TANK's device measures, or
    what is typed. A temperature is in °C (°F with [display] units = "us"), or with its unit as "68 F"; water
    is in litres (gallons then), or as "3 gal"; a hardness is in degrees, or as "71 ppm".

    \b
      rushlight move porch tub --species goldfish --night 2
      rushlight move porch --temperature 17.5 --kh 9 --gh 14 --species white-cloud
      rushlight move porch tub --follow --water 5 --container 15
    """
    from rushlight.analysis.change_over.job import Asked, follow_lines, move_lines

    settings = settings_of(config)
    asked = Asked(
        tank,
        other,
        species,
        temperature("--temperature", celsius, settings),
        ph,
        kh,
        gh,
        temperature("--tank-temperature", tank_temperature, settings),
        tank_kh,
        tank_gh,
        temperature("--temperature-low", temperature_low, settings),
        temperature("--temperature-high", temperature_high, settings),
        temperature("--night", night, settings),
        litres("--water", water, settings, 0.1, 500) or 4.0,
        litres("--container", container, settings, 0.2, 1000) or 12.0,
    )
    for line in follow_lines(settings, asked) if follow else move_lines(settings, asked):
        say(line)
    return 0
