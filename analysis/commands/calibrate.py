"""`rushlight calibrate`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, PART, say, settings_of, temperature

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rushlight.collector.service.parts import Part
    from rushlight.collector.settings import Settings

__all__ = ["calibrate"]


@click.command()
@CONFIG
@PART
@click.argument("tank")
@click.argument("what", type=click.Choice(["ph", "temperature", "light"]), required=False)
@click.option("--buffer", "buffers", multiple=True, metavar="PH", help="A buffer, as 7.00; once for each.")
@click.option(
    "--point",
    "points",
    multiple=True,
    metavar="PH=MV",
    help="Typed: buffer and what the electrode gave in it, mV, as 7.00=+3.2.",
)
@click.option(
    "--celsius", metavar="CELSIUS", help='Temperature of the buffers, °C; or with its unit, as "72 F".'
)
@click.option("--ice", is_flag=True, help="Thermometer: in a bath of crushed ice and water, 0.0 °C.")
@click.option("--reference", metavar="VALUE", help="What a good thermometer or lux meter shows.")
@click.option("--value", metavar="VALUE", help="Typed: what Rushlight shows at that moment.")
@click.option("--at", metavar="TIME", help="With --point: when it was, as in `rushlight note`.")
@click.option("--history", is_flag=True, help="All calibrations of the tank, and what follows from them.")
@click.option("--undo", type=int, metavar="ID", help="Take one back; --history shows the ids.")
def calibrate(
    config: str,
    part: Part | None,
    tank: str,
    what: str | None,
    buffers: tuple[str, ...],
    points: tuple[str, ...],
    celsius: str | None,
    ice: bool,
    reference: str | None,
    value: str | None,
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

    given = {
        "--buffer": bool(buffers),
        "--point": bool(points),
        "--celsius": celsius is not None,
        "--ice": ice,
        "--reference": reference is not None,
        "--value": value is not None,
        "--at": at is not None,
    }
    _must_go_together(what, {name for name, there in given.items() if there}, history, undo is not None)

    def ready(text: str) -> None:
        click.prompt(text + " Then press Enter", default="", show_default=False, prompt_suffix=" ")

    def asked(text: str) -> float:
        us = settings.display.units == "us"
        text, offered = (text.replace("°C", "°F"), "72") if us else (text, "22")
        while True:
            try:
                return _buffer_celsius(
                    temperature(text, str(click.prompt(text, default=offered)), settings), text
                )
            except click.BadParameter as error:
                say(error.message, err=True)

    settings = settings_of(config, part)
    levels = (
        _level("--reference", reference, what, settings),
        _level("--value", value, what, settings),
    )
    warm = None
    if celsius is not None:
        bare = celsius if any(sign.isalpha() or sign == "°" for sign in celsius) else f"{celsius} C"
        warm = _buffer_celsius(temperature("--celsius", bare, settings), "--celsius")
    asking = job.Asked(tank, what or "", buffers, points, warm, ice, *levels, at)
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


# what each probe can be calibrated with; an option that would be passed over is refused
_GO_WITH = {
    "ph": {"--buffer", "--point", "--celsius", "--at"},
    "temperature": {"--ice", "--reference", "--value"},
    "light": {"--reference", "--value"},
}


def _must_go_together(what: str | None, given: set[str], history: bool, undo: bool) -> None:
    """UsageError where an option does not belong to what is calibrated, or one is missing."""
    if history or undo:
        if what or given or (history and undo):
            raise click.UsageError("--history and --undo go alone")
        return
    if what is None:
        raise click.UsageError("Say what: ph, temperature or light; or --history.")
    for option in sorted(given - _GO_WITH[what]):
        homes = " or ".join(name for name, options in _GO_WITH.items() if option in options)
        raise click.UsageError(f"{option} goes with {homes}, not with {what}.")
    if what == "ph":
        if len(given & {"--buffer", "--point"}) != 1:
            raise click.UsageError("ph: give --buffer for each buffer, or --point for each typed one.")
        if "--at" in given and "--point" not in given:
            raise click.UsageError("--at goes with --point; with --buffer the time is now.")
    elif what == "light" and "--reference" not in given:
        raise click.UsageError("Give --reference VALUE.")
    elif what == "temperature" and len(given & {"--ice", "--reference"}) != 1:
        raise click.UsageError("Give --reference VALUE, or --ice.")


def _buffer_celsius(value: float | None, option: str) -> float:
    if value is None or not 0 <= value <= 50:
        raise click.BadParameter("a buffer is between 0 and 50 °C", param_hint=option)
    return value


def _level(option: str, text: str | None, what: str | None, settings: Settings) -> float | None:
    """°C in the keeper's units, or lux."""
    if text is None or what == "temperature":
        return temperature(option, text, settings)
    try:
        lux = float(text)
    except ValueError:
        lux = -1.0
    if not 0 < lux <= _MOST_LUX:
        raise click.BadParameter(f"{text!r} can't be the light in lux; write it as 7400", param_hint=option)
    return lux


_MOST_LUX = 200_000.0  # full sun is some 100 000, common knowledge
