"""What several commands of `rushlight` have in common: options, and the settings they work by."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rushlight.collector.service.parts import Part
    from rushlight.collector.settings import Settings
    from rushlight.collector.units import Display

__all__ = [
    "CONFIG",
    "PART",
    "Hardness",
    "Within",
    "litres",
    "moment_ms",
    "parse_span_ms",
    "say",
    "settings_of",
    "temperature",
]

_UNITS = "rushlight.units"
_TITLES = "rushlight.titles"  # of the tanks: no quantities, whatever they look like

if TYPE_CHECKING:
    _Type = click.ParamType[float]
else:
    _Type = click.ParamType  # older versions take no type

CONFIG = click.option(
    "--config",
    default="rushlight.toml",
    show_default=True,
    metavar="FILE",
    help="The settings file.",
)


def say(text: str = "", err: bool = False) -> None:
    """Print, without control characters: a name in it may have come from a device or a file."""
    from rushlight.collector.safe_text import safe_lines

    context = click.get_current_context(silent=True)
    units: Display = "metric" if context is None else context.meta.get(_UNITS, "metric")
    if units != "metric":
        from rushlight.collector.units import shown

        assert context is not None
        text = shown(text, units, context.meta.get(_TITLES, ()))
    click.echo(safe_lines(text), err=err)


class Within(click.FloatRange):
    """A number within bounds; what is no number ("nan") is within none."""

    def convert(self, value: Any, parameter: click.Parameter | None, context: click.Context | None) -> float:
        found = float(super().convert(value, parameter, context))
        if math.isnan(found):
            self.fail(f"{value!r} is no number", parameter, context)
        return found


class Hardness(_Type):
    """A hardness as people have it: degrees, or with its unit as "71 ppm"."""

    name = "hardness"

    def __init__(self, unit: str, most: float = math.inf) -> None:
        self._unit, self._most = unit, most

    def convert(
        self, value: object, parameter: click.Parameter | None, context: click.Context | None
    ) -> float:
        from rushlight.collector.units import did_you_mean, typed

        try:
            found = typed(str(value), self._unit)
        except ValueError as error:
            self.fail(str(error), parameter, context)
        if not 0 <= found <= self._most:
            asked = did_you_mean(found, self._unit)
            advice = f"; {asked}" if asked else ""
            self.fail(
                f"must be from 0 to {self._most:g} {self._unit}, not {found:g}{advice}", parameter, context
            )
        return found


def temperature(option: str, text: str | None, settings: Settings) -> float | None:
    """°C of what was typed; a number alone is in the units of `[display]`."""
    from rushlight.collector.units import did_you_mean, typed

    if text is None:
        return None
    try:
        value = typed(text, "°C", "f" if settings.display.units == "us" else "")
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint=option) from None
    asked = did_you_mean(value, "°C")
    if asked:
        raise click.BadParameter(f"{value:g} °C is no water and no room; {asked}", param_hint=option)
    return value


def litres(option: str, text: str | None, settings: Settings, least: float, most: float) -> float | None:
    """Litres of what was typed, between two; a number alone is in the units of `[display]`."""
    from rushlight.collector.units import shown, typed

    if text is None:
        return None
    units = settings.display.units
    try:
        value = typed(text, "L", "gal" if units == "us" else "")
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint=option) from None
    if not least <= value <= most:
        bounds = shown(f"{least:g} to {most:g} L", units)
        raise click.BadParameter(f"must be {bounds}, not {text}", param_hint=option)
    return value


def _read_part(context: click.Context, parameter: click.Parameter, text: str | None) -> Part | None:
    from rushlight.collector.service.parts import parse_part

    try:
        return None if text is None else parse_part(text)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None


PART = click.option(
    "--part",
    metavar="K/N",
    callback=_read_part,
    help="Where several services share the tanks: which one, as 2/4.",
)


def settings_of(config: str, part: Part | None = None) -> Settings:
    """The settings of a file, or those of one part."""
    from rushlight.collector.settings import load_settings

    settings = load_settings(config)
    context = click.get_current_context(silent=True)
    if context is not None:
        from rushlight.collector.units import titles

        context.meta[_UNITS] = settings.display.units
        context.meta[_TITLES] = titles(settings.tanks)
    if part is None:
        return settings
    from rushlight.collector.service.parts import settings_of_part

    return settings_of_part(settings, part)


def moment_ms(option: str, text: str | None) -> int | None:
    """What an option says, in ms since 1970; it must have an offset."""
    from datetime import datetime

    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise click.BadParameter(
            f"{text!r} is no moment; write it as 2026-03-01T02:14:10Z", param_hint=option
        )
    return round(moment.timestamp() * 1000)


_SPAN = re.compile(r"(?:(\d+)d)?(?:(\d+)h)?(?:(\d+)m(?:in)?)?")


def parse_span_ms(text: str) -> int:
    """ "2h", "90min", "1d12h" into ms; ValueError otherwise."""
    match = _SPAN.fullmatch(text.strip().lower().replace(" ", ""))
    days, hours, minutes = (int(part or 0) for part in match.groups()) if match else (0, 0, 0)
    span = ((days * 24 + hours) * 60 + minutes) * 60_000
    if span <= 0:
        raise ValueError(f"{text!r} is no span of time; write 2h, 90min or 1d12h")
    return span
