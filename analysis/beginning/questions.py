"""Questions that are asked again until the answer is of use, in the units that people have."""

from __future__ import annotations

import datetime
import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo, available_timezones

from rushlight.collector.units import did_you_mean, typed

__all__ = [
    "Desk",
    "amount",
    "choice",
    "day",
    "local_zone",
    "named",
    "number",
    "time_of_day",
    "time_zone",
    "yes",
]

_US = re.compile(r"\d\s*(?:°?f|fahrenheit|(?:us )?gal|gallons?)\s*", re.IGNORECASE)
_TIME = re.compile(r"(\d|[01]\d|2[0-3])[:.]([0-5]\d)")


class Desk(NamedTuple):
    """`say` shows a line; `ask` asks with an answer offered ("" for none); `secret` asks without showing."""

    say: Callable[[str], None]
    ask: Callable[[str, str], str]
    secret: Callable[[str], str]


class Amount(NamedTuple):
    """In the unit of the settings, and whether it was typed in °F or gallons."""

    value: float
    us: bool


def amount(desk: Desk, text: str, offered: str, unit: str, low: float, high: float) -> Amount | None:
    """A value with or without its unit ("75 F", "20 gal", "71 ppm"); None for an empty answer.

    Parameters
    ----------
    unit : str
        "°C", "L" or "dKH": that of the value, and of a number alone.
    """
    while True:
        said = desk.ask(text, offered).strip()
        if not said:
            return None
        try:
            value = typed(said, unit)
        except ValueError as error:
            desk.say(f"{error}")
            continue
        if low <= value <= high:
            return Amount(value, _US.search(said) is not None)
        desk.say(did_you_mean(value, unit) or f"{value:g} {unit} can't be: from {low:g} to {high:g} {unit}")


def number(desk: Desk, text: str, low: float, high: float) -> float | None:
    """A plain number; None for an empty answer."""
    while True:
        said = desk.ask(text, "").strip().replace(",", ".")
        if not said:
            return None
        try:
            value = float(said)
        except ValueError:
            desk.say("write a number, or nothing")
            continue
        if low <= value <= high:
            return value
        desk.say(f"from {low:g} to {high:g}, or nothing")


def yes(desk: Desk, text: str) -> bool:
    """Offered is no."""
    while True:
        said = desk.ask(f"{text} (yes or no)?", "no").strip().lower()
        if said in ("y", "yes", "n", "no"):
            return said.startswith("y")
        desk.say("write yes or no")


def choice(desk: Desk, text: str, known: Sequence[str]) -> str:
    """One of these; the first is offered."""
    while True:
        said = desk.ask(f"{text}: {', '.join(known[:-1])} or {known[-1]}", known[0]).strip().lower()
        if said in known:
            return said
        desk.say(f"{said!r} isn't one of them; write {', '.join(known[:-1])} or {known[-1]}")


def named(desk: Desk, text: str, offered: str, right: Callable[[str], object], rule: str) -> str:
    """A text by a rule, which is said where it is broken."""
    while True:
        said = desk.ask(text, offered).strip()
        if right(said):
            return said
        desk.say(f"{said!r} can't be: {rule}")


def day(desk: Desk, text: str, offered: datetime.date) -> datetime.date:
    """A date."""
    while True:
        said = desk.ask(text, offered.isoformat()).strip()
        try:
            return datetime.date.fromisoformat(said)
        except ValueError:
            desk.say(f"{said!r} is no date; write it as {offered}")


def time_of_day(desk: Desk, text: str, offered: str) -> str:
    """HH:MM; 8:00 and 08.00 are understood."""
    while True:
        said = desk.ask(text, offered).strip()
        match = _TIME.fullmatch(said)
        if match:
            return f"{match[1]:0>2}:{match[2]}"
        desk.say(f"{said!r} is no time of day; write it as {offered}")


def time_zone(desk: Desk, text: str) -> str:
    """An IANA name; for a city alone the names that end with it are said."""
    offered = local_zone()
    while True:
        said = desk.ask(text, offered).strip()
        zones = available_timezones()
        if said in zones:
            return said
        wanted = said.lower().replace(" ", "_")
        like = sorted(zone for zone in zones if zone.lower().rpartition("/")[2] == wanted and wanted)
        advice = f"did you mean {' or '.join(like[:4])}?" if like else "write it as Europe/Lisbon"
        desk.say(f"{said!r} is no time zone that is known; {advice}")


def local_zone() -> str:
    """The computer's own."""
    place = str(Path("/etc/localtime").resolve()).partition("zoneinfo/")[2]
    for found in (os.environ.get("TZ", ""), place):
        try:
            if found and found in available_timezones():
                return ZoneInfo(found).key
        except (OSError, ValueError):
            continue
    return "UTC"
