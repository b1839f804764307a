"""What was typed into a form, as the commands have it.

Raises
------
SettingsError
    By each function: what is wrong, with the name of the field as the command's option.
"""

from __future__ import annotations

import math

from rushlight.analysis.errands.talk import Order
from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import Settings
from rushlight.collector.units import did_you_mean, typed

__all__ = ["hardness", "litres", "number", "temperature"]


def temperature(order: Order, name: str, settings: Settings) -> float | None:
    """°C; a number alone is in the units of `[display]`."""
    text = order.text(name)
    if text is None:
        return None
    bare = "f" if settings.display.units == "us" else ""
    return _within(order, name, _in(name, text, "°C", bare), "°C", -50.0, 60.0)


def hardness(order: Order, name: str, unit: str, most: float) -> float | None:
    """Degrees."""
    text = order.text(name)
    return None if text is None else _within(order, name, _in(name, text, unit, ""), unit, 0.0, most)


def litres(order: Order, name: str, settings: Settings, low: float, high: float) -> float | None:
    """Litres; a number alone is in the units of `[display]`."""
    text = order.text(name)
    if text is None:
        return None
    bare = "gal" if settings.display.units == "us" else ""
    return _within(order, name, _in(name, text, "L", bare), "L", low, high)


def number(order: Order, name: str, low: float, high: float) -> float | None:
    """A plain number."""
    text = order.text(name)
    if text is None:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise SettingsError(f"--{name}: {text[:40]!r} is no number") from None
    return _within(order, name, value, "", low, high)


def _in(name: str, text: str, unit: str, bare: str) -> float:
    try:
        return typed(text, unit, bare)
    except ValueError as error:
        raise SettingsError(f"--{name}: {error}") from None


def _within(order: Order, name: str, value: float, unit: str, low: float, high: float) -> float:
    asked = did_you_mean(value, unit)
    if asked or not low <= value <= high or math.isnan(value):
        advice = f"; {asked}" if asked else ""
        shown = f"{value:g} {unit}".strip()
        raise SettingsError(
            f"--{name}: must be from {low:g} to {high:g} {unit}".rstrip() + f", not {shown}{advice}"
        )
    return value
