"""Asking at a terminal until the answer can be: numbers in the keeper's units, days, times of day."""

from __future__ import annotations

import datetime
import os
import re
from collections.abc import Callable
from typing import NamedTuple

from rushlight.collector.units import did_you_mean, shown, typed

__all__ = ["Desk", "checked", "is_day", "is_time", "is_units", "local_units", "number", "optional"]


class Desk(NamedTuple):
    """`say` shows a line; `ask` asks with an answer offered ("" for none); `secret` asks without showing."""

    say: Callable[[str], None]
    ask: Callable[[str, str], str]
    secret: Callable[[str], str]


def checked(desk: Desk, text: str, offered: str, right: Callable[[str], object]) -> str:
    """Ask until it is right."""
    while True:
        said = desk.ask(text, offered).strip()
        if right(said):
            return said
        desk.say(f"{said!r} can't be; try again, as {offered}")


def number(desk: Desk, text: str, offered: str, within: tuple[float, float], unit: str, us: bool) -> float:
    """Ask for a number with its unit ("" for none) between two; `us`: a number alone is in °F or gallons."""
    while True:
        value = _typed(desk, desk.ask(text, offered), within, unit, us)
        if value is not None:
            return value


def optional(desk: Desk, text: str, within: tuple[float, float], unit: str, us: bool) -> float | None:
    """The same; None where it is left open."""
    while True:
        said = desk.ask(text, "").strip()
        if not said:
            return None
        value = _typed(desk, said, within, unit, us)
        if value is not None:
            return value


def _typed(desk: Desk, said: str, within: tuple[float, float], unit: str, us: bool) -> float | None:
    """What was typed, in `unit` as the settings have it; None where it can't be, which is said."""
    low, high = within
    try:
        bare = _BARE.get(unit, "") if us else ""
        value = typed(said, unit, bare) if unit else float(said.replace(",", "."))
    except ValueError as error:
        desk.say(f"{error}" if unit else "write a number")
        return None
    if low <= value <= high:
        return value
    asked = did_you_mean(value, unit)
    bounds = shown(f"from {low:g} to {high:g} {unit}".strip(), "us" if us else "metric")
    desk.say(f"{bounds}; {asked}" if asked else bounds)
    return None


_BARE = {"°C": "f", "L": "gal"}


def is_units(text: str) -> bool:
    """As `[display] units` has them."""
    return text in ("metric", "us")


def local_units() -> str:
    """By the computer's language: the United States have °F and gallons."""
    for name in ("LC_ALL", "LC_MEASUREMENT", "LANG"):
        if os.environ.get(name):
            return "us" if os.environ[name].startswith("en_US") else "metric"
    return "metric"


def is_day(text: str) -> bool:
    """As 2026-03-01."""
    try:
        datetime.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def is_time(text: str) -> bool:
    """As 18:30."""
    return re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text) is not None
