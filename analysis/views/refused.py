"""Refused reports as people are shown them: how often, the last example, and the line that would fix it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import msgspec

from rushlight.collector.intake.refusals import REFUSED_STATE, Refusal, load_refusals
from rushlight.collector.intake.topic_maps import TopicMaps
from rushlight.collector.readings import TANK_NAME
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings import MqttLink, Settings, TopicMap
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["RefusedFacts", "mending_line", "refused_facts"]

SHOWN_MS = 86_400_000  # a fault that has not come for a day is fixed or gone
_EXAMPLE = 160  # characters
_DEEP = 6  # levels of a payload that are looked through
_PATHS = 3  # fields that are offered
_BARE = re.compile(r"[A-Za-z0-9_-]+")  # TOML 1.0: a key that needs no quotes
_HINTS = {
    "temperature": ("temp", "t", "celsius"),
    "ph": ("ph",),
    "ph_probe": ("mv", "ph"),
    "light": ("lux", "lx", "light"),
    "heater_power": ("power", "watt", "w"),
}


class RefusedFacts(msgspec.Struct, kw_only=True):
    """One cause of refused reports.

    `where` is the link and the topic, `example` the beginning of the last one, `mend` the line of the
    settings or the firmware that would fix it, "" where `reason` says all. None has a control character.
    """

    where: str
    kind: str
    count: int
    age_ms: int
    reason: str
    example: str
    mend: str


def refused_facts(settings: Settings, store: EmbeddedStore, now_ms: int) -> list[RefusedFacts]:
    """What was refused in the last day and is not fixed, the latest first."""
    saved = store.load_state(REFUSED_STATE, "")
    found = load_refusals(None if saved is None else saved[0])
    return [
        RefusedFacts(
            where=safe_text(f"{one.link}: {one.topic}" if one.topic else one.link),
            kind=one.kind,
            count=one.count,
            age_ms=now_ms - one.last_ms,
            reason=safe_text(one.reason),
            example=safe_text(one.example.decode("utf-8", "replace"), _EXAMPLE),
            mend=safe_text(mending_line(one, settings)),
        )
        for one in reversed(found)
        if now_ms - one.last_ms < SHOWN_MS and not _mended(one, settings)
    ]


def _mended(one: Refusal, settings: Settings) -> bool:
    """Whether the settings have by now what was missing."""
    if one.kind == "unknown-tank":
        return one.tank in settings.tanks
    return one.kind == "topic" and _maps(one, settings) != []


def _maps(one: Refusal, settings: Settings) -> list[TopicMap]:
    maps = [entry for link in settings.links if isinstance(link, MqttLink) for entry in link.map]
    return TopicMaps(maps).about(one.topic) if one.topic else []


def mending_line(one: Refusal, settings: Settings) -> str:
    """The line of the settings or of the firmware that would mend it, "" where the reason says all."""
    if one.kind == "unknown-tank" and TANK_NAME.fullmatch(one.tank):
        name = one.tank if _BARE.fullmatch(one.tank) else f'"{one.tank}"'
        return (
            f"[tanks.{name}] with volume_litres and timezone, and [tanks.{name}.livestock] with "
            "temperature_low_c and temperature_high_c"
        )
    maps = _maps(one, settings)
    if maps:
        fields = _fields(one.example, maps[0].quantity)
        if one.kind in ("field", "number", "json") and fields:
            return (
                f"in [[links.map]] of this topic: {' or '.join(f'field = {_text(name)}' for name in fields)}"
            )
        if one.kind == "unit":
            return "in [[links.map]] of this topic: another `unit`, or none"
        return ""
    if one.kind == "unit":
        return "in the firmware: send the value in the unit named here, and that unit as `u`"
    own = one.topic.split("/")
    if one.topic and one.kind in ("topic", "senml", "json", "type"):
        known = len(own) == 3 and own[0] == "rushlight" and own[1] in settings.tanks
        tank = own[1] if known else next(iter(settings.tanks), "NAME")
        return _new_map(one, tank)
    return ""


def _new_map(one: Refusal, tank: str) -> str:
    """A `[[links.map]]` for a payload that is a number or has numbers in it."""
    fields = _fields(one.example, "temperature")
    if not fields and not re.fullmatch(rb"\s*[+-]?[0-9.]+\s*", one.example):
        return ""
    line = f'[[links.map]] with topic = {_text(one.topic)}, tank = {_text(tank)}, quantity = "temperature"'
    return line + "".join(f", field = {_text(name)}" for name in fields[:1])


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # a JSON string is a TOML string


def _fields(example: bytes, quantity: str) -> list[str]:
    """Dotted paths to numbers in a payload, those that sound like the quantity first."""
    try:
        document = json.loads(example)
    except (ValueError, RecursionError):
        return []
    if not isinstance(document, dict | list):
        return []
    hints = _HINTS.get(quantity, (quantity,))

    def unlike(path: str) -> bool:
        name = path.rpartition(".")[2].lower()
        return not any(name == hint or (len(hint) > 1 and name.startswith(hint)) for hint in hints)

    return sorted(_paths(document, "", 0), key=unlike)[:_PATHS]


def _paths(at: Any, path: str, level: int) -> Iterator[str]:
    if isinstance(at, int | float) and not isinstance(at, bool):
        yield path
    elif level < _DEEP and isinstance(at, dict | list):
        for key, value in at.items() if isinstance(at, dict) else enumerate(at):
            if "." not in str(key) and key != "":
                yield from _paths(value, f"{path}.{key}" if path else str(key), level + 1)
