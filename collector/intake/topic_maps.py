"""Firmware that speaks its own way: plain numbers or its own JSON on its own topics (`[[links.map]]`)."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable
from typing import Any

from rushlight.collector.errors import WireError
from rushlight.collector.intake.reports import (
    MAX_PAYLOAD,
    UNITS,
    Record,
    Report,
    printable,
    whole_number,
    wrong_unit,
)
from rushlight.collector.settings import TopicMap
from rushlight.collector.settings.topic_units import MAP_CONVERSIONS

__all__ = ["TopicMaps"]

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_LONGEST_REMEMBERED = 256  # characters of a topic: a thousand are remembered, and they come from outside
_NO_VALUE = frozenset({"", "nan", "null", "none", "fault"})


class TopicMaps:
    """Firmware with its own topics: plain numbers, or JSON with a dotted path to the number."""

    def __init__(self, maps: Iterable[TopicMap]) -> None:
        self._maps = [(_filter(m.topic), m) for m in maps]
        self._matching: dict[str, list[TopicMap]] = {}

    def decode(self, topic: str, payload: bytes) -> Report | None:
        """The report in `payload`, None where no map is about `topic`.

        Where the maps of one topic are about several tanks, use `decode_all`; this gives the first.

        Raises
        ------
        WireError
            Where no map finds its value.
        """
        reports = self.decode_all(topic, payload)
        return reports[0] if reports else None

    def decode_all(self, topic: str, payload: bytes) -> list[Report]:
        """One report for each tank that the maps of `topic` are about; raises as `decode`."""
        maps = self._maps_of(topic)
        if not maps:
            return []
        if len(payload) > MAX_PAYLOAD:
            raise WireError(
                "size", f"{printable(topic)}: {len(payload)} bytes; the most that is read is {MAX_PAYLOAD}"
            )
        try:
            text = payload.decode("utf-8").strip()
        except UnicodeDecodeError:
            raise WireError("encoding", f"{printable(topic)}: not UTF-8 text") from None
        reports: dict[str, Report] = {}
        problems: list[WireError] = []
        document: Any = _UNREAD
        for entry in maps:
            try:
                found: Any = text
                if entry.field is not None:
                    if document is _UNREAD:
                        document = _json(text)
                    found = _follow(document, entry.field)
                value = _mapped_value(found, entry)
            except WireError as error:
                problems.append(WireError(error.kind, f"{printable(topic)}: {error}"))
                continue
            report = reports.setdefault(entry.tank, Report(entry.tank, records=[], problems=[]))
            report.records.append(Record(entry.quantity, value))
        if not reports:
            raise problems[0]
        next(iter(reports.values())).problems.extend(problems)
        return list(reports.values())

    def about(self, topic: str) -> list[TopicMap]:
        """The maps that a topic matches, in their order."""
        return list(self._maps_of(topic))

    def _maps_of(self, topic: str) -> list[TopicMap]:
        found = self._matching.get(topic)
        if found is None:
            if len(self._matching) > 1000:  # topics come from outside
                self._matching.clear()
            found = [entry for pattern, entry in self._maps if pattern.fullmatch(topic)]
            if len(topic) <= _LONGEST_REMEMBERED:
                self._matching[topic] = found
        return found


_UNREAD = object()


def _filter(topic: str) -> re.Pattern[str]:
    """An MQTT topic filter as a pattern (MQTT 5 section 4.7: + one level, # the rest)."""
    if topic == "#":
        return re.compile(r"(?!\$).*", re.DOTALL)
    levels = topic.split("/")
    pattern = "/".join("[^/]*" if level == "+" else re.escape(level) for level in levels if level != "#")
    if levels[-1] == "#":
        pattern += "(?:/.*)?"
    if levels[0] == "+":
        pattern = r"(?!\$)" + pattern  # wildcards don't reach the broker's own topics
    return re.compile(pattern, re.DOTALL)


def _json(text: str) -> Any:
    try:
        return json.loads(text, parse_int=whole_number)
    except (ValueError, RecursionError) as error:
        raise WireError("json", f"not valid JSON ({printable(str(error))})") from None


def _follow(document: Any, path: str) -> Any:
    at = document
    for step in path.split("."):
        if isinstance(at, dict) and step in at:
            at = at[step]
        elif isinstance(at, list) and step.isdecimal() and len(step) < 6 and int(step) < len(at):
            at = at[int(step)]
        else:
            raise WireError("field", f"no field {path!r} in the payload")
    return at


def _mapped_value(found: Any, entry: TopicMap) -> float | None:
    """A number, or None for the words by which firmware says that a probe can't be read."""
    if found is None:
        return None
    if isinstance(found, str):
        word = found.strip()
        if word.lower() in _NO_VALUE:
            return None
        if not _NUMBER.fullmatch(word):
            hint = "; a JSON payload needs `field` in its map" if word.startswith(("{", "[")) else ""
            raise WireError("number", f"{printable(word)!r} is no number{hint}")
        found = float(word)
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise WireError("number", f"{printable(repr(found))} is no number")
    value = float(found)
    if value != value:
        return None
    unit = UNITS[entry.quantity]
    if entry.unit is not None and entry.unit != unit:
        factors = MAP_CONVERSIONS.get((unit, entry.unit))
        if factors is None:
            raise wrong_unit(entry.quantity, unit, entry.unit)
        value = round(value * factors[0] + factors[1], 9)
    if not math.isfinite(value):
        raise WireError("number", f"{value} is no measurement")
    return value
