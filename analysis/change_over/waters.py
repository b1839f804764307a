"""What an answer rests on: both waters, the animals' limits, and whether the tank is ready."""

from __future__ import annotations

from typing import NamedTuple

from rushlight.analysis.change_over.mixing_plan import RATES, Solution
from rushlight.analysis.change_over.species import Species
from rushlight.analysis.physics.fit_for_animals import AnimalLimits, Destination, limits_of
from rushlight.analysis.physics.mixing import Water
from rushlight.analysis.service.log_input import log_store
from rushlight.analysis.views.facts import carbon_dioxide_now
from rushlight.analysis.views.readiness import readiness
from rushlight.analysis.views.two_waters import FRESH_MS, second_water, tank_water
from rushlight.analysis.watch.saved import watch_of
from rushlight.collector.errors import SettingsError
from rushlight.collector.service.parts import settings_of_tank
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["Asked", "Known", "what_is_known"]


class Asked(NamedTuple):
    """What was typed; °C, degrees of hardness, litres."""

    tank: str
    other: str | None = None
    species: str | None = None
    celsius: float | None = None
    ph: float | None = None
    kh: float | None = None
    gh: float | None = None
    tank_celsius: float | None = None
    tank_kh: float | None = None
    tank_gh: float | None = None
    low_c: float | None = None
    high_c: float | None = None
    night_c: float | None = None
    water_litres: float = 4.0
    container_litres: float = 12.0


class Known(NamedTuple):
    """All that the answer rests on."""

    here: Water
    there: Water
    animals: AnimalLimits
    to: Destination
    tank: Solution | None
    carrying: Solution | None
    ready: str
    ready_words: str

    @property
    def far(self) -> bool:
        """Too far apart for one day."""
        if self.tank is None or self.carrying is None:
            return False
        return abs(self.tank.celsius - self.carrying.celsius) > RATES.days_from_c


def what_is_known(settings: Settings, asked: Asked, species: Species | None, now_ms: int) -> Known:
    """Read from settings and store; what was typed comes first. Raises `SettingsError`, `StoreError`."""
    if asked.other is not None and asked.other not in settings.tanks:
        raise SettingsError(f"{settings.path}: there is no tank {asked.other!r}")
    if asked.low_c is not None and asked.high_c is not None and asked.low_c >= asked.high_c:
        raise SettingsError(
            f"--temperature-low: {asked.low_c:g} °C must be below --temperature-high, {asked.high_c:g} °C"
        )
    with log_store(settings, asked.tank, read_only=True) as store:
        tank = settings.tanks[asked.tank]
        here = tank_water(store, asked.tank, tank.title, now_ms)
        there = second_water(store, asked.tank, now_ms)
        watch, _ = watch_of(asked.tank, tank, store)
        gas = carbon_dioxide_now(watch, now_ms)
        log = store.log(asked.tank)
        firsts = [
            next((r.time_ms for r in store.readings(asked.tank, q)), now_ms)
            for q in store.quantities(asked.tank)
        ]
        ready = readiness(log, min(firsts, default=None), now_ms)
    if asked.other is not None:
        other = settings.tanks[asked.other]
        with EmbeddedStore(settings_of_tank(settings, asked.other).store_path(), read_only=True) as store:
            there = tank_water(store, asked.other, other.title, now_ms)
    if asked.celsius is not None or asked.ph is not None:
        there = there._replace(celsius=_or(asked.celsius, there.celsius), ph=_or(asked.ph, there.ph))
    if asked.tank_celsius is not None:
        here = here._replace(celsius=asked.tank_celsius)
    fresh = gas is not None and abs(gas.age_ms) <= FRESH_MS
    matters = (tank.water.carbonate_hardness_dkh, tank.water.degassed_ph, tank.co2) != (None, None, None)
    to = Destination(
        here.name,
        here.celsius,
        here.ph,
        gas.mg_l if gas is not None and fresh else None,
        gas.high_mg_l if gas is not None and fresh else None,
        here.day_c,
        matters and not fresh,
    )
    noted = {name: entry.tests[name] for entry in log for name in ("kh", "gh") if name in entry.tests}
    kh = _or(asked.tank_kh, noted.get("kh", tank.water.carbonate_hardness_dkh))
    gh = _or(asked.tank_gh, noted.get("gh", tank.water.general_hardness_dgh))
    return Known(
        here,
        there,
        _limits(settings, asked, species),
        to,
        None if here.celsius is None else Solution(tank.volume_litres, here.celsius, kh, gh),
        None if there.celsius is None else Solution(asked.water_litres, there.celsius, asked.kh, asked.gh),
        ready.answer,
        ready.words,
    )


def _or(first: float | None, second: float | None) -> float | None:
    return second if first is None else first


def _limits(settings: Settings, asked: Asked, species: Species | None) -> AnimalLimits:
    """The narrowest of the settings of where they are, the species table, and what was typed."""
    found = AnimalLimits("the animals to be moved")
    if asked.other is not None:
        found = limits_of(asked.other, settings.tanks[asked.other])
    if species is not None:
        found = AnimalLimits(
            species.title if asked.other is None else found.whose,
            _narrow(True, found.temperature_low_c, species.temperature_low_c),
            _narrow(False, found.temperature_high_c, species.temperature_high_c),
            _narrow(True, found.ph_low, species.ph_low),
            _narrow(False, found.ph_high, species.ph_high),
            found.co2_limit_mg_l,
        )
    return found._replace(
        temperature_low_c=_narrow(True, found.temperature_low_c, asked.low_c),
        temperature_high_c=_narrow(False, found.temperature_high_c, asked.high_c),
    )


def _narrow(highest: bool, one: float | None, two: float | None) -> float | None:
    known = [value for value in (one, two) if value is not None]
    if not known:
        return None
    return max(known) if highest else min(known)
