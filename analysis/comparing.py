"""`rushlight compare`: two waters side by side, from the store."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.facts import carbon_dioxide_now, watch_of
from analysis.moving import AnimalLimits, limits_of
from analysis.two_waters import FRESH_MS, match_lines, second_water, tank_water
from collector.errors import SettingsError
from collector.log import Clock
from collector.parts import settings_of_tank
from collector.service import system_clock
from collector.settings import Settings
from collector.store.embedded import EmbeddedStore

__all__ = ["comparison"]


def comparison(
    settings: Settings,
    tank: str,
    other: str | None,
    clock: Clock = system_clock,
    typed: tuple[float | None, float | None] = (None, None),
) -> Iterator[str]:
    """Lines that say whether `tank` and `other` (None: the tank's second water) match now.

    `typed`: the lowest and highest °C that the animals to be moved stand, as a person gave them; they come
    before those of `other`'s settings.

    Raises
    ------
    SettingsError
        A tank that is not in the settings, or limits that are the wrong way round.
    StoreError
        The store can't be read.
    """
    for name in (tank, other):
        if name is not None and name not in settings.tanks:
            raise SettingsError(
                f"{settings.path}: tanks: there is no {name!r}; it has {', '.join(settings.tanks) or 'none'}"
            )
    animals = _animals(settings, other, typed)
    now_ms = clock()
    with EmbeddedStore(settings_of_tank(settings, tank).store_path(), read_only=True) as store:
        here = tank_water(store, tank, settings.tanks[tank].title, now_ms)
        there = second_water(store, tank, now_ms) if other is None else None
        watch, _ = watch_of(tank, settings.tanks[tank], store)
        gas = carbon_dioxide_now(watch, now_ms)
    if there is None and other is not None:
        with EmbeddedStore(settings_of_tank(settings, other).store_path(), read_only=True) as store:
            there = tank_water(store, other, settings.tanks[other].title, now_ms)
    assert there is not None
    now = (gas.mg_l, gas.high_mg_l) if gas is not None and abs(gas.age_ms) <= FRESH_MS else None
    yield from match_lines(here, there, settings.tanks[tank].livestock, animals, now)


def _animals(
    settings: Settings, other: str | None, typed: tuple[float | None, float | None]
) -> AnimalLimits | None:
    """The limits of the animals to be moved: what was typed, then those of the tank that they are in."""
    low, high = typed
    if low is not None and high is not None and low >= high:
        raise SettingsError(f"--temperature-low: {low:g} °C must be below --temperature-high, {high:g} °C")
    found = None if other is None else limits_of(other, settings.tanks[other])
    if low is None and high is None:
        return found
    if found is None:
        return AnimalLimits("the animals to be moved", low, high)
    return found._replace(
        temperature_low_c=found.temperature_low_c if low is None else low,
        temperature_high_c=found.temperature_high_c if high is None else high,
    )
