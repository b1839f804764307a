"""`rushlight calibrate`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rushlight.collector.service.parts import Part

__all__ = ["calibrate"]


@click.command()
@CONFIG
@PART
@click.argument("tank")
@click.argument("what", type=click.Choice(["ph", "temperature", "light"]), required=False)
@click.option("--buffer", "buffers", multiple=True, metavar="PH", help="A buffer, as 7.00; once for each.")
@click.option("--point", "points", multiple=True, metavar="PH=MV", help="Typed: what it gave, as 7.00=+3.2.")
@click.option("--celsius", type=float, metavar="CELSIUS", help="Temperature of the buffers.")
@click.option("--ice", is_flag=True, help="Thermometer: in a bath of crushed ice and water, 0.0 °C.")
@click.option("--reference", type=float, metavar="VALUE", help="What a good thermometer or lux meter shows.")
@click.option("--value", type=float, metavar="VALUE", help="Typed: what Rushlight shows at that moment.")
@click.option("--at", metavar="TIME", help="With --point: when it was, as in `rushlight note`.")
@click.option("--history", is_flag=True, help="All calibrations of the tank, and what they come to.")
@click.option("--undo", type=int, metavar="ID", help="Take one back; --history shows the ids.")
def calibrate(
    config: str,
    part: Part | None,
    tank: str,
    what: str | None,
    buffers: tuple[str, ...],
    points: tuple[str, ...],
    celsius: float | None,
    ice: bool,
    reference: float | None,
    value: float | None,
    at: str | None,
    history: bool,
    undo: int | None,
) -> int:
    """Calibrate an electrode, a thermometer or a light sensor; every calibration is kept and can be undone.

    Live, while `rushlight run` goes on or not: it waits for a steady reading by itself. Or by typed values.

    \b
      rushlight calibrate porch ph --buffer 7.00 --buffer 4.00
      rushlight calibrate porch ph --point 7.00=+3.2 --point 4.00=172.5 --celsius 22
      rushlight calibrate porch temperature --ice
      rushlight calibrate porch temperature --reference 24.3 --value 24.1
      rushlight calibrate porch light --reference 7400
      rushlight calibrate porch --history
    """
    from rushlight.analysis.calibration import job
    from rushlight.analysis.calibration.session import Person

    if (history or undo is not None) and (what or buffers or points or at):
        raise click.UsageError("--history and --undo go alone")
    if what is None and not history and undo is None:
        raise click.UsageError("Say what: ph, temperature or light; or --history.")
    if what == "ph" and bool(buffers) == bool(points):
        raise click.UsageError("ph: give --buffer for each buffer, or --point for each typed one.")
    if what in ("temperature", "light") and (buffers or points or at):
        raise click.UsageError("--buffer, --point and --at go with ph.")
    if (what == "temperature" and ice == (reference is not None)) or (what == "light" and reference is None):
        raise click.UsageError("Give --reference VALUE" + (", or --ice." if what == "temperature" else "."))

    def ready(text: str) -> None:
        click.prompt(text + " Then press Enter", default="", show_default=False, prompt_suffix=" ")

    def asked(text: str) -> float:
        return float(click.prompt(text, type=click.FloatRange(0, 50), default=22.0))

    asking = job.Asked(tank, what or "", buffers, points, celsius, ice, reference, value, at)
    settings = settings_of(config, part)
    lines: Iterable[str]
    if history:
        lines = job.history(settings, tank)
    elif undo is not None:
        lines = job.undo(settings, tank, undo)
    else:
        lines = job.calibrate(settings, asking, Person(say, ready, asked))
    for line in lines:
        say(line)
    return 0
