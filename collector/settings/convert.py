"""TOML's plain values into the types of the tables; a fault names its key in the words of the file."""

from __future__ import annotations

import difflib
import math
import re
import types
import typing
from collections.abc import Iterator
from typing import Any, Literal

import msgspec

from rushlight.collector.safe_text import has_control, safe_text
from rushlight.collector.settings.tables import MqttLink, SerialLink, Settings, TankSettings

__all__ = ["convert", "guess", "odd_values"]

_WHOLE = 2**63
_LONGEST = 4096  # characters of one text
_PATH = re.compile(r" - at `\$(?P<path>[^`]*)`$")


def odd_values(data: Any, where: str = "") -> Iterator[str]:
    """Faults of plain values that no table means; RecursionError where it is nested beyond all use."""
    if isinstance(data, float) and not math.isfinite(data):
        yield f"{where}: must be a finite number"
    elif isinstance(data, int) and not -_WHOLE <= data < _WHOLE:
        yield f"{where}: is a number far too large; correct it"
    elif isinstance(data, str) and len(data) > _LONGEST:
        yield f"{where}: is text of {len(data)} characters; at most {_LONGEST} are taken"
    elif isinstance(data, str) and has_control(data):
        yield f"{where}: has a control character in it ({safe_text(data, 40)}); take it out"
    elif isinstance(data, dict):
        for key, value in data.items():
            yield from odd_values(value, f"{where}.{key}" if where else key)
    elif isinstance(data, list):
        for number, value in enumerate(data, 1):
            yield from odd_values(value, f"{where}[{number}]")


_PLAIN = {
    "float": "a number",
    "int": "a whole number",
    "str": "text in quotes",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "null": "nothing",
    "date": "a date such as 2026-03-01",
}


def _plain(message: str) -> str:
    """msgspec's "Expected `float | null`, got `str`" in the words of the file."""
    match = re.fullmatch(r"Expected `([^`]+)`(?:, got `([^`]+)`)?", message)
    if not match:
        return message.replace("`", "")
    wanted = [_PLAIN.get(name, name) for name in match[1].split(" | ") if name != "null"]
    got = (
        f", not {'a decimal' if match[2] == 'float' else _PLAIN.get(match[2], match[2])}" if match[2] else ""
    )
    return f"must be {' or '.join(wanted)}{got}"


def _choices(kind: Any, path: str) -> list[str]:
    """What may be at `path` inside `kind`, where that is one of a few words."""
    *parts, name = [part for part in path.split(".") if part]
    tables = _tables(kind, parts)
    words = [str(t.__struct_config__.tag) for t in tables if t.__struct_config__.tag_field == name]
    for table in tables:
        hint = typing.get_type_hints(table).get(name)
        for part in (hint, *typing.get_args(hint)):
            if typing.get_origin(part) is Literal:
                words += typing.get_args(part)
    return words


def _bounds(kind: Any, path: str) -> str:
    """What the types declare for the number at `path`, in words; "" where they declare nothing."""
    *parts, name = [part for part in path.split(".") if part]
    for table in _tables(kind, parts):
        hint = typing.get_type_hints(table, include_extras=True).get(name)
        for meta in getattr(hint, "__metadata__", ()):
            if isinstance(meta, msgspec.Meta) and meta.ge is not None and meta.le is not None:
                unit = (meta.extra or {}).get("unit", "")
                return f"must be from {meta.ge:g} to {meta.le:g} {unit}".rstrip()
    return ""


def _tables(kind: Any, parts: list[str]) -> list[Any]:
    """The table types that may be at a path inside `kind`."""
    if isinstance(kind, types.UnionType) or typing.get_origin(kind) is list:
        return [table for part in typing.get_args(kind) for table in _tables(part, parts)]
    if not (isinstance(kind, type) and issubclass(kind, msgspec.Struct)):
        return []
    if not parts:
        return [kind]
    hint = typing.get_type_hints(kind).get(re.sub(r"\[\d+\]", "", parts[0]))
    return _tables(hint, parts[1:])


def convert(data: dict[str, Any], faults: list[str]) -> Settings | None:
    """Table by table, so that a message names the tank or link and one fault does not hide another."""
    tables: dict[str, Any] = {}
    known = [f for f in Settings.__struct_fields__ if f != "path"]
    for key, value in data.items():
        if key not in known:
            faults.append(f"{key}: unknown table{guess(key, known)}")
        elif key == "tanks":
            if not isinstance(value, dict):
                faults.append("tanks: must be tables, as in [tanks.hallway]")
                continue
            tanks = {
                name: _one(table, TankSettings, f"tanks.{name}", faults) for name, table in value.items()
            }
            tables["tanks"] = {name: tank for name, tank in tanks.items() if tank is not None}
        elif key == "links":
            if not isinstance(value, list):
                faults.append("links: must be an array of tables, as in [[links]]")
                continue
            links = []
            for index, table in enumerate(value, 1):
                link = _one(table, SerialLink | MqttLink, f"links[{index}]", faults)
                if link is not None:
                    links.append(link)
            tables["links"] = links
        else:
            table_type = typing.get_type_hints(Settings)[key]
            converted = _one(value, table_type, key, faults)
            if converted is not None:
                tables[key] = converted
    return Settings(**tables) if not faults else None


def _one(table: Any, kind: Any, where: str, faults: list[str]) -> Any:
    try:
        # strict: "22" is not 22; whole numbers are taken where a decimal is meant
        return msgspec.convert(table, kind)
    except msgspec.ValidationError as error:
        message = str(error)
        match = _PATH.search(message)
        key = where
        if match:
            message = message[: match.start()]
            # people count from 1, as `where` does already
            path = match["path"].replace("[...]", "")
            key += re.sub(r"\[(\d+)\]", lambda m: f"[{int(m[1]) + 1}]", path)
        unknown = re.search(r"contains unknown field `([^`]+)`", message)
        missing = re.search(r"missing required field `([^`]+)`", message)
        if unknown:
            known = _fields_at(kind, key.removeprefix(where))
            faults.append(f"{key}.{unknown[1]}: unknown key{guess(unknown[1], known)}")
        elif missing:
            faults.append(f"{key}.{missing[1]}: missing; this key must be given")
        else:
            bounds = _bounds(kind, key.removeprefix(where)) if re.search("[<>]=", message) else ""
            wanted = bounds or _plain(message)
            words = _choices(kind, key.removeprefix(where)) if message.startswith("Invalid") else []
            advice = f"; write {' or '.join(repr(word) for word in words)}" if words else ""
            faults.append(f"{key}: {wanted[0].lower()}{wanted[1:]}{advice}")
        return None


def _fields_at(kind: Any, path: str) -> list[str]:
    """Field names of the table at `path` inside `kind`, for the guess at a misspelt key."""
    tables = _tables(kind, [part for part in path.split(".") if part])
    return [name for table in tables for name in table.__struct_fields__]


def guess(key: str, known: list[str]) -> str:
    close = difflib.get_close_matches(key, known, 1, 0.6)
    return f"; did you mean {close[0]!r}?" if close else f"; known here: {', '.join(known)}"
