"""`rushlight move`."""

from __future__ import annotations

import click

from rushlight.analysis.commands.options import CONFIG, Within, say, settings_of

__all__ = ["move"]

_WATER_C = Within(-2, 45)


@click.command()
@CONFIG
@click.argument("tank")
@click.argument("other", required=False)
@click.option("--species", metavar="NAME", help="Whose published limits count, too; your own: animals.toml.")
@click.option("--temperature", "celsius", type=_WATER_C, help="Of the water they are in, °C, if typed.")
@click.option("--ph", type=Within(3, 11), help="Its pH.")
@click.option("--kh", type=Within(0, 40), help="Its KH, dKH.")
@click.option("--gh", type=Within(0, 60), help="Its GH, dGH.")
@click.option("--tank-temperature", type=_WATER_C, help="Of TANK, °C, if typed.")
@click.option("--tank-kh", type=Within(0, 40), help="TANK's KH; else from its log or settings.")
@click.option("--tank-gh", type=Within(0, 60), help="TANK's GH.")
@click.option("--temperature-low", type=_WATER_C, help="The lowest that the animals can bear, °C.")
@click.option("--temperature-high", type=_WATER_C, help="The highest.")
@click.option(
    "--night", type=Within(-60, 45), help="The forecast night temperature where the tub stands, °C."
)
@click.option("--water", type=Within(0.1, 500), default=4.0, show_default=True, help="Litres carried.")
@click.option("--container", type=Within(0.2, 1000), default=12.0, show_default=True, help="Litres it holds.")
@click.option("--follow", is_flag=True, help="Live, with a probe in the container: says what to do now.")
def move(
    config: str,
    tank: str,
    other: str | None,
    species: str | None,
    celsius: float | None,
    ph: float | None,
    kh: float | None,
    gh: float | None,
    tank_temperature: float | None,
    tank_kh: float | None,
    tank_gh: float | None,
    temperature_low: float | None,
    temperature_high: float | None,
    night: float | None,
    water: float,
    container: float,
    follow: bool,
) -> int:
    """May these animals go into TANK: go, wait or don't, and how the waters are brought together.

    OTHER is the tank or tub they come from; left out, it is the second water that TANK's device measures, or
    what is typed.

    \b
      rushlight move porch tub --species goldfish --night 2
      rushlight move porch --temperature 17.5 --kh 9 --gh 14 --species white-cloud
      rushlight move porch tub --follow --water 5 --container 15
    """
    from rushlight.analysis.change_over.job import Asked, follow_lines, move_lines

    asked = Asked(
        tank,
        other,
        species,
        celsius,
        ph,
        kh,
        gh,
        tank_temperature,
        tank_kh,
        tank_gh,
        temperature_low,
        temperature_high,
        night,
        water,
        container,
    )
    settings = settings_of(config)
    for line in follow_lines(settings, asked) if follow else move_lines(settings, asked):
        say(line)
    return 0
