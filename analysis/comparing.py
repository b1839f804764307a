"""`rushlight compare`: two waters side by side, from the store."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.two_waters import match_lines, second_water, tank_water
from collector.errors import SettingsError
from collector.log import Clock
from collector.parts import settings_of_tank
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
    with EmbeddedStore(settings_of_tank(settings, tank).store_path(), read_only=True) as store:
        here = tank_water(store, tank, settings.tanks[tank].title, now_ms)
        there = second_water(store, tank, now_ms) if other is None else None
    if there is None and other is not None:
        with EmbeddedStore(settings_of_tank(settings, other).store_path(), read_only=True) as store:
            there = tank_water(store, other, settings.tanks[other].title, now_ms)
    assert there is not None
    yield from match_lines(here, there, settings.tanks[tank].livestock)
