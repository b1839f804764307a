"""A tank's settings as TOML again: what is left at its default is left out."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterator
from typing import Any

import msgspec

from rushlight.collector.settings.tables import TankSettings

__all__ = ["tank_toml"]


def tank_toml(name: str, tank: TankSettings) -> str:
    """The tables of one tank, under `[tanks.NAME]`."""
    return "\n".join(_table(f"tanks.{name}", tank)) + "\n"


def _table(path: str, table: msgspec.Struct) -> Iterator[str]:
    yield f"[{path}]"
    inner: list[tuple[str, Any]] = []
    for field in msgspec.structs.fields(table):
        value = getattr(table, field.name)
        default = field.default_factory() if field.default_factory is not msgspec.NODEFAULT else field.default
        if value is None or value == default:
            continue
        many = isinstance(value, list) and value and isinstance(value[0], msgspec.Struct)
        if isinstance(value, msgspec.Struct) or many:
            inner.append((field.encode_name, value))
        else:
            yield f"{field.encode_name} = {_value(value)}"
    for name, value in inner:
        if isinstance(value, msgspec.Struct):
            yield ""
            yield from _table(f"{path}.{name}", value)
        else:
            for one in value:
                lines = list(_table(f"{path}.{name}", one))
                yield from ("", f"[{lines[0]}]", *lines[1:])


def _value(value: Any) -> str:
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, list):
        return f"[{', '.join(_value(one) for one in value)}]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
