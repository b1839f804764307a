"""`rushlight compare`: two waters side by side, from the store."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from analysis.two_waters import match_lines, second_water, tank_water
from collector.errors import SettingsError
from collector.log import Clock
from collector.parts import part_of, parts_present, settings_of_part
from collector.service import system_clock
from collector.settings import Settings
from collector.store.embedded import EmbeddedStore

__all__ = ["comparison"]


def comparison(
    settings: Settings, tank: str, other: str | None, clock: Clock = system_clock
) -> Iterator[str]:
    """Lines that say whether `tank` and `other` (None: the tank's second water) match now.

    Raises
    ------
    SettingsError
        A tank that is not in the settings.
    StoreError
        The store can't be read.
    """
    for name in (tank, other):
        if name is not None and name not in settings.tanks:
            raise SettingsError(
                f"{settings.path}: tanks: there is no {name!r}; it has {', '.join(settings.tanks) or 'none'}"
            )
    now_ms = clock()
    with EmbeddedStore(_store_path(settings, tank), read_only=True) as store:
        here = tank_water(store, tank, settings.tanks[tank].title, now_ms)
        there = second_water(store, tank, now_ms) if other is None else None
    if there is None and other is not None:
        with EmbeddedStore(_store_path(settings, other), read_only=True) as store:
            there = tank_water(store, other, settings.tanks[other].title, now_ms)
    assert there is not None
    yield from match_lines(here, there, settings.tanks[tank].livestock)


def _store_path(settings: Settings, tank: str) -> Path:
    """The store that has the tank: its part's where several collectors share the tanks."""
    for part in parts_present(settings):
        if part_of(tank, part.parts) == part.number:
            return settings_of_part(settings, part).store_path()
    return settings.store_path()
