"""What two sets of settings differ in, in words for people."""

from __future__ import annotations

import functools
import typing
from collections.abc import Iterator
from typing import Annotated, Any

import msgspec

from rushlight.collector.settings.tables import LinkSettings, MqttLink, Settings

__all__ = ["changes", "needs_restart"]

_LIVE_IN_STORE = ("keep_days", "keep_local_days")
_UNIT_ENDINGS = ("_c", "_mg_l", "_dkh", "_dgh", "_us_cm", "_min", "_s", "_litres")


def needs_restart(old: Settings, new: Settings) -> list[str]:
    """What can't be changed while the service runs, a line each: the store, which all else stands on."""
    return [
        line
        for key in new.store.__struct_fields__
        if key not in _LIVE_IN_STORE
        for line in _value(f"[store] {key}", getattr(old.store, key), getattr(new.store, key), "")
    ]


def changes(old: Settings, new: Settings) -> list[str]:
    """A line for each change, such as "hallway: heater setpoint 24 → 25 °C"."""
    found = [*_links(old.links, new.links)]
    for name in dict.fromkeys([*old.tanks, *new.tanks]):
        if name not in new.tanks:
            found.append(
                f"{name}: no tank of the settings any more; its readings and what was learnt are kept"
            )
        elif name not in old.tanks:
            found.append(f"{name}: a new tank")
        else:
            found += [f"{name}: {line}" for line in _table("", old.tanks[name], new.tanks[name])]
    for key in Settings.__struct_fields__:
        if key not in ("path", "links", "tanks"):
            found += [f"[{key}] {line}" for line in _table("", getattr(old, key), getattr(new, key))]
    return found


def _links(old: list[LinkSettings], new: list[LinkSettings]) -> Iterator[str]:
    rest = list(old)
    added = []
    for link in new:
        if link in rest:
            rest.remove(link)
        else:
            added.append(link)
    for link in added:
        before = next((one for one in rest if _name(one) == _name(link)), None)
        if before is None:
            yield f"a new link, {_name(link)}"
            continue
        rest.remove(before)
        maps = isinstance(link, MqttLink) and isinstance(before, MqttLink) and link.map != before.map
        yield f"{_name(link)}: {'other topics are mapped' if maps else 'connected to in another way'}"
    for link in rest:
        yield f"{_name(link)}: no link of the settings any more"


def _name(link: LinkSettings) -> str:
    return f"{link.host}:{link.port}" if isinstance(link, MqttLink) else link.port


def _table(where: str, old: Any, new: Any) -> Iterator[str]:
    """Key by key; tables within are named before their keys."""
    for key, (kind, unit) in _keys(new.__class__).items():
        one, other = getattr(old, key), getattr(new, key)
        if one == other:
            continue
        name = f"{where} {_plain(key)}".strip()
        if kind is not None and (one is None or other is None):
            yield f"{name}: {'no table any more' if other is None else 'a new table'}"
            one, other = (kind() if value is None else value for value in (one, other))
        if isinstance(other, msgspec.Struct):
            yield from _table(name, one, other)
        else:
            yield from _value(name, one, other, unit)


def _value(name: str, old: Any, new: Any, unit: str) -> Iterator[str]:
    if old == new:
        return
    end = f" {unit}" if unit else ""
    if old in (None, "", [], {}):
        yield f"{name} {_shown(new)}{end}"
    elif new in (None, "", [], {}):
        yield f"{name} {_shown(old)}{end} → not given"
    else:
        yield f"{name} {_shown(old)} → {_shown(new)}{end}"


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:g}"
    if isinstance(value, list):
        return ", ".join(_shown(one) for one in value)
    if isinstance(value, dict):
        return ", ".join(f"{_plain(key)} {_shown(one)}" for key, one in value.items())
    if isinstance(value, msgspec.Struct):
        return " ".join(_shown(getattr(value, key)) for key in value.__struct_fields__)
    return str(value)


def _plain(key: str) -> str:
    ending = next((end for end in _UNIT_ENDINGS if key.endswith(end)), "")
    return key.removesuffix(ending).replace("_", " ")


@functools.cache
def _keys(kind: Any) -> dict[str, tuple[Any, str]]:
    """By key: the table that it may hold, where it may be left out, and its unit."""
    hints = typing.get_type_hints(kind, include_extras=True)
    return {key: (_optional_table(hints[key]), _unit(hints[key])) for key in kind.__struct_fields__}


def _unit(hint: Any) -> str:
    if typing.get_origin(hint) is Annotated:
        return next((str((meta.extra or {}).get("unit", "")) for meta in hint.__metadata__), "")
    return next((unit for part in typing.get_args(hint) if (unit := _unit(part))), "")


def _optional_table(hint: Any) -> Any:
    parts = typing.get_args(hint)
    tables = [part for part in parts if isinstance(part, type) and issubclass(part, msgspec.Struct)]
    return tables[0] if tables and type(None) in parts else None
