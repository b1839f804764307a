"""TOML's plain values into the types of the tables; every fault names its key in the words of the file.

What may be where is said by the types alone: their fields, words to choose from, and bounds (`msgspec.Meta`).
msgspec itself ends at the first fault of a table. Here one fault hides no other, so the values are followed
key by key, and where one is wrong a stand-in takes its place, so that the rest can be looked at too.
"""

from __future__ import annotations

import datetime
import difflib
import functools
import math
import re
import types
import typing
from collections.abc import Sequence
from typing import Annotated, Any, Literal, NamedTuple

import msgspec

from rushlight.collector.safe_text import has_control, safe_text
from rushlight.collector.settings.lines import Path
from rushlight.collector.settings.tables import Settings
from rushlight.collector.units import did_you_mean, in_unit, names_unit

__all__ = ["Fault", "convert", "guess", "key_text"]

_WHOLE = 2**63
_LONGEST = 4096  # characters of one text
_NOT_IN_FILE = {"path"}  # fields of `Settings` that are no table


class Fault(NamedTuple):
    """What is wrong at one place of the file, and what to do."""

    path: Path
    text: str


class _Wrong:
    """In place of a value that can't be used."""


_WRONG = _Wrong()


def key_text(path: Path) -> str:
    """As people write it: links[2].map[1].topic."""
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path).removeprefix(".")


def guess(key: str, known: Sequence[str]) -> str:
    """What may have been meant by a name that is not known, as the end of a message."""
    close = difflib.get_close_matches(key.lower(), known, 1, 0.6)  # all keys are small letters
    return f"; did you mean {close[0]!r}?" if close else f"; known here: {', '.join(known)}"


def convert(data: dict[str, Any]) -> tuple[Settings, list[Fault]]:
    """Settings and every fault of the values.

    Where there are faults, a key's default is in place of what is wrong; where it has none, something that
    no check objects to (a number that is none, an empty text).
    """
    reader = _Reader()
    settings = reader.struct(data, Settings, ())
    return settings, reader.faults


class _Reader:
    def __init__(self) -> None:
        self.faults: list[Fault] = []

    def _wrong(self, path: Path, text: str) -> _Wrong:
        self.faults.append(Fault(path, text))
        return _WRONG

    def value(self, value: Any, kind: Any, path: Path) -> Any:
        """`value` as a `kind`, or `_WRONG`."""
        odd = _odd(value)
        if odd:
            return self._wrong(path, odd)
        if typing.get_origin(kind) is Annotated:
            kind, *metas = typing.get_args(kind)
            if kind is float and names_unit(value, metas[0].extra):
                value, fault = in_unit(value, metas[0].extra)
                if fault:
                    return self._wrong(path, fault)
            found = self.value(value, kind, path)
            for meta in metas if found is not _WRONG else ():
                fault = _beyond(found, meta)
                if fault:
                    return self._wrong(path, fault)
            return found
        if _is_union(kind):
            return self._one_of(value, kind, path)
        origin = typing.get_origin(kind)
        if origin is Literal:
            words = typing.get_args(kind)
            return value if value in words else self._wrong(path, _not_among(value, words))
        if origin is list:
            return self._list(value, typing.get_args(kind)[0], path)
        if origin is dict:
            key_kind, kind = typing.get_args(kind)
            return self._dict(value, key_kind, kind, path)
        if issubclass(kind, msgspec.Struct):
            return self.struct(value, kind, path) if isinstance(value, dict) else self._not(path, kind, value)
        return self._scalar(value, kind, path)

    def struct(self, value: dict[str, Any], kind: Any, path: Path) -> Any:
        """A table: unknown keys, missing keys, and each value."""
        hints = _fields(kind)
        tag = kind.__struct_config__.tag_field
        given: dict[str, Any] = {}
        for key, one in value.items():
            if key in hints:
                found = self.value(one, hints[key], (*path, key))
                if found is not _WRONG:
                    given[key] = found
            elif key != tag:
                word = "key" if path else "table"
                known = [*hints, *([tag] if tag else [])]
                self._wrong((*path, key), f"unknown {word}{guess(key, known)}")
        for key in _required(kind):
            if key not in value:
                self._wrong((*path, key), "missing; this key must be given")
            if key not in given:
                given[key] = _stand_in(hints[key])
        return kind(**given)

    def _list(self, value: Any, kind: Any, path: Path) -> Any:
        if not isinstance(value, list):
            return self._not(path, list, value, kind)
        found = [self.value(one, kind, (*path, number)) for number, one in enumerate(value, 1)]
        return [_stand_in(kind) if one is _WRONG else one for one in found]

    def _dict(self, value: Any, key_kind: Any, kind: Any, path: Path) -> Any:
        if not isinstance(value, dict):
            return self._not(path, dict, value, kind)
        found = {}
        for key, one in value.items():
            self.value(key, key_kind, (*path, key))
            made = self.value(one, kind, (*path, key))
            found[key] = _stand_in(kind) if made is _WRONG else made
        return found

    def _one_of(self, value: Any, kind: Any, path: Path) -> Any:
        """None, which TOML can't say, aside: one type, or one of several tables by their tag."""
        kinds = [part for part in typing.get_args(kind) if part is not type(None)]
        if len(kinds) == 1:
            return self.value(value, kinds[0], path)
        if not isinstance(value, dict):
            return self._not(path, kinds[0], value)
        tables = {part.__struct_config__.tag: part for part in kinds}
        field = kinds[0].__struct_config__.tag_field
        if field not in value:
            return self._wrong((*path, field), f"missing; write {_or(list(tables))}")
        tag = value[field]
        if not isinstance(tag, str) or tag not in tables:
            return self._wrong((*path, field), _not_among(tag, list(tables)))
        return self.struct(value, tables[tag], path)

    def _scalar(self, value: Any, kind: Any, path: Path) -> Any:
        if kind is float and type(value) is int:
            return float(value)
        if kind is int and isinstance(value, float) and value.is_integer():
            return int(value)
        if kind is datetime.date and isinstance(value, str):
            try:
                return datetime.date.fromisoformat(value)
            except ValueError:
                return self._not(path, kind, value)
        # exactly: True is an int to Python, and a date with a time a date
        return value if type(value) is kind else self._not(path, kind, value)

    def _not(self, path: Path, kind: Any, value: Any, entries: Any = None) -> _Wrong:
        wanted = _PLAIN.get(kind, "a table")
        if _holds_tables(entries):
            shown = ".".join(step for step in path if isinstance(step, str))
            wanted = (
                f"an array of tables, as in [[{shown}]]" if kind is list else f"tables, as in [{shown}.name]"
            )
        got = (
            "a decimal" if kind is int and type(value) is float else _PLAIN.get(type(value), "a date or time")
        )
        return self._wrong(path, f"must be {wanted}, not {got}")


_PLAIN: dict[Any, str] = {
    float: "a number",
    int: "a whole number",
    str: "text in quotes",
    bool: "true or false",
    list: "a list",
    dict: "a table",
    datetime.date: "a date such as 2026-03-01",
}


def _odd(value: Any) -> str:
    """What makes a plain value one that no key means; "" for nothing. No bound catches nan."""
    if isinstance(value, float) and not math.isfinite(value):
        return "must be a finite number"
    if isinstance(value, int) and not -_WHOLE <= value < _WHOLE:
        return "is a number beyond all use; mend it"
    if isinstance(value, str) and len(value) > _LONGEST:
        return f"is text of {len(value)} characters; at most {_LONGEST} are taken"
    if isinstance(value, str) and has_control(value):
        return f"has a control character in it ({safe_text(value, 40)}); take it out"
    return ""


def _beyond(value: Any, meta: msgspec.Meta) -> str:
    """What declared bounds have against a value, with both of them and what to do; "" for nothing."""
    extra = meta.extra or {}
    advice = f"; {extra['advice']}" if "advice" in extra else ""
    if isinstance(value, str):
        if meta.min_length is not None and len(value) < meta.min_length:
            return "is empty; give it, or leave the key out for the usual one"
        if meta.pattern is not None and not re.search(meta.pattern, value):
            return f"{safe_text(value, 80)!r} is not {extra['what']}{advice}"
        return ""
    if isinstance(value, list):
        if meta.max_length is not None and len(value) > meta.max_length:
            return f"must have {meta.max_length} entries at most, not {len(value)}{advice}"
        return ""
    inside = (
        (meta.ge is None or value >= meta.ge)
        and (meta.gt is None or value > meta.gt)
        and (meta.le is None or value <= meta.le)
        and (meta.lt is None or value < meta.lt)
    )
    unit = f" {extra['unit']}" if "unit" in extra else ""
    asked = did_you_mean(value, str(extra.get("unit", "")))
    advice = f"; {asked}" if asked else advice
    return "" if inside else f"must be {_bounds(meta)}{unit}, not {_number(value)}{advice}"


def _bounds(meta: msgspec.Meta) -> str:
    if meta.ge is not None and meta.le is not None:
        return f"from {_number(meta.ge)} to {_number(meta.le)}"
    words = (("at least", meta.ge), ("more than", meta.gt), ("at most", meta.le), ("less than", meta.lt))
    return " and ".join(f"{word} {_number(bound)}" for word, bound in words if bound is not None)


def _number(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.10g}"


def _not_among(value: Any, words: Sequence[str]) -> str:
    shown = (
        repr(safe_text(value, 80)) if isinstance(value, str) else _PLAIN.get(type(value), "a date or time")
    )
    return f"invalid value {shown}; write {_or(words)}"


def _or(words: Sequence[str]) -> str:
    return " or ".join(map(repr, words))


def _is_union(kind: Any) -> bool:
    return typing.get_origin(kind) in (typing.Union, types.UnionType)


def _holds_tables(kind: Any) -> bool:
    parts = typing.get_args(kind) if _is_union(kind) else (kind,)
    return all(isinstance(part, type) and issubclass(part, msgspec.Struct) for part in parts)


@functools.cache
def _fields(kind: Any) -> dict[str, Any]:
    """Key -> type of a table, in the order of the types."""
    hints = typing.get_type_hints(kind, include_extras=True)
    own = _NOT_IN_FILE if kind is Settings else ()
    return {name: hints[name] for name in kind.__struct_fields__ if name not in own}


@functools.cache
def _required(kind: Any) -> tuple[str, ...]:
    fields = msgspec.structs.fields(kind)
    return tuple(field.name for field in fields if field.required)


def _stand_in(kind: Any) -> Any:
    """In place of a value that must be given: what no check objects to."""
    if typing.get_origin(kind) is Annotated or _is_union(kind):
        return _stand_in(typing.get_args(kind)[0])
    if typing.get_origin(kind) is list:
        return []
    if kind is float:
        return math.nan
    if kind in (str, int, bool):
        return kind()
    if issubclass(kind, msgspec.Struct):
        return kind(**{name: _stand_in(_fields(kind)[name]) for name in _required(kind)})
    raise TypeError(f"{kind}: no table has one that must be given")
