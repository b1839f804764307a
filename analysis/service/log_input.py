"""The keeper's log as it is typed and shown."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, time
from typing import NamedTuple
from zoneinfo import ZoneInfo

from rushlight.analysis.service.requests import person
from rushlight.collector.errors import LogError, SettingsError, StoreError
from rushlight.collector.service.parts import settings_of_tank
from rushlight.collector.settings import Settings, TankSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry
from rushlight.collector.units import GALLON_L, read_two_ways

__all__ = ["Typed", "log_lines", "log_store", "moment_typed", "noted", "undone"]

_SHARE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(%|l|L|gal)")


class Typed(NamedTuple):
    """What a person has typed; `changed` and `at` as text."""

    tank: str
    text: str
    tests: dict[str, float]
    changed: str | None
    done: tuple[str, ...]
    at: str | None

    @property
    def says_something(self) -> bool:
        """Whether there is anything to note."""
        return bool(self.text or self.tests or self.changed is not None or self.done)


def log_store(settings: Settings, tank: str, read_only: bool = False) -> EmbeddedStore:
    """The store that keeps a tank's log, open.

    Raises
    ------
    SettingsError
        No such tank.
    StoreError
        There is no store yet, or it can't be used.
    """
    _tank(settings, tank)
    path = settings_of_tank(settings, tank).store_path()
    if not path.exists():
        raise StoreError(
            f"{path}: there is no such file; start `rushlight run` first or correct [store] path"
        )
    return EmbeddedStore(path, read_only=read_only)


def noted(settings: Settings, typed: Typed, store: EmbeddedStore, now_ms: int) -> str:
    """Keep it; what was kept, in words. Raises `LogError` as `EmbeddedStore.add_log`, and for odd times."""
    tank = _tank(settings, typed.tank)
    entry = LogEntry(
        tank=typed.tank,
        time_ms=now_ms if typed.at is None else _moment(typed.at, ZoneInfo(tank.timezone), now_ms),
        tests=typed.tests,
        changed_share=None if typed.changed is None else _share(typed.changed, tank),
        done=typed.done,
        text=typed.text,
    )
    kept = store.add_log(entry, person(), now_ms)
    return f"noted as {kept.id}: {_line(kept, tank)}"


def undone(settings: Settings, tank: str, store: EmbeddedStore, number: int, now_ms: int) -> str:
    """Take it back; what was taken back, in words. Raises `LogError` as `EmbeddedStore.undo_log`."""
    return f"undone {number}: {_line(store.undo_log(tank, number, now_ms), _tank(settings, tank))}"


def log_lines(settings: Settings, tank: str, store: EmbeddedStore) -> list[str]:
    """Every entry, the oldest first, with its id."""
    entries = store.log(tank)
    if not entries:
        return [f"{tank}: nothing has been noted"]
    return [f"{entry.id:>5}  {_line(entry, _tank(settings, tank))}" for entry in entries]


def _tank(settings: Settings, name: str) -> TankSettings:
    if name not in settings.tanks:
        known = ", ".join(settings.tanks)
        raise SettingsError(f"{settings.path}: there is no tank {name!r}; known are {known}")
    return settings.tanks[name]


def _line(entry: LogEntry, tank: TankSettings) -> str:
    moment = datetime.fromtimestamp(entry.time_ms / 1000, UTC).astimezone(ZoneInfo(tank.timezone))
    return f"{moment:%Y-%m-%d %H:%M}  {entry.words()}"


def _share(text: str, tank: TankSettings) -> float:
    if read_two_ways(text):
        raise LogError(f"--changed: {text!r} can be read in two ways; write it without a comma")
    match = _SHARE.fullmatch(text.strip())
    amount = float(match[1].replace(",", ".")) if match else math.nan
    if match is None or not math.isfinite(amount):
        raise LogError(
            f"--changed: {text!r} is no share of the water; write 20%, or the water as 12L or 3gal"
        )
    if match[2] == "%":
        return amount / 100
    if match[2] == "gal":
        amount *= GALLON_L
    if amount > tank.volume_litres:
        raise LogError(f"--changed: {amount:g} L is more than the tank's {tank.volume_litres:g} L")
    return amount / tank.volume_litres


def moment_typed(text: str, timezone: str, now_ms: int) -> int:
    """ms UTC of a moment that was typed; without an offset by that clock. Raises `LogError`."""
    return _moment(text, ZoneInfo(timezone), now_ms)


def _moment(text: str, zone: ZoneInfo, now_ms: int) -> int:
    """ms UTC; without an offset by the tank's clock, without a date of today."""
    try:
        if re.fullmatch(r"\d?\d:\d\d", text):
            hour, minute = map(int, text.split(":"))
            today = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone).date()
            moment = datetime.combine(today, time(hour, minute), zone)
        else:
            moment = datetime.fromisoformat(text)
            moment = moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)
        return round(moment.timestamp() * 1000)
    except (ValueError, OverflowError):
        raise LogError(
            f"--at: {text!r} is no moment; write 18:30, 2026-03-01 18:30 or 2026-03-01T18:30:00Z"
        ) from None
