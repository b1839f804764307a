"""Asking at a terminal until the answer can be: numbers in the keeper's units, days, times of day."""

from __future__ import annotations

import datetime
import os
import re
from collections.abc import Callable, Sequence
from typing import NamedTuple
from zoneinfo import available_timezones

from rushlight.collector.units import did_you_mean, shown, typed

__all__ = [
    "Desk",
    "checked",
    "choice",
    "is_day",
    "is_units",
    "local_units",
    "number",
    "optional",
    "time_of_day",
    "time_zone",
    "yes",
]

_TIME = re.compile(r"(\d|[01]\d|2[0-3])[:.]([0-5]\d)")


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


def choice(desk: Desk, text: str, known: Sequence[str]) -> str:
    """One of these words; the first is offered. Any other is asked about: it may not count as "none"."""
    words = f"{', '.join(known[:-1])} or {known[-1]}"
    while True:
        said = desk.ask(f"{text}: {words}", known[0]).strip().lower()
        if said in known:
            return said
        desk.say(f"{said!r} isn't one of them; write {words}")


def yes(desk: Desk, text: str) -> bool:
    """Offered is no."""
    while True:
        said = desk.ask(f"{text} (yes or no)?", "no").strip().lower()
        if said in ("y", "yes", "n", "no"):
            return said.startswith("y")
        desk.say("write yes or no")


def time_of_day(desk: Desk, text: str, offered: str) -> str:
    """HH:MM; 8:00 and 08.00 are understood."""
    while True:
        said = desk.ask(text, offered).strip()
        match = _TIME.fullmatch(said)
        if match:
            return f"{match[1]:0>2}:{match[2]}"
        desk.say(f"{said!r} is no time of day; write it as {offered}")


def time_zone(desk: Desk, text: str, offered: str) -> str:
    """An IANA name; for a city alone the names that end with it are said."""
    while True:
        said = desk.ask(text, offered).strip()
        zones = available_timezones()
        if said in zones:
            return said
        wanted = said.lower().replace(" ", "_")
        like = sorted(zone for zone in zones if zone.lower().rpartition("/")[2] == wanted)
        advice = f"did you mean {' or '.join(like[:4])}?" if like else "write it as Europe/Lisbon"
        desk.say(f"{said!r} is no time zone that is known; {advice}")


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
