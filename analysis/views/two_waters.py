"""Do two waters match? Before animals go from one to the other: tub to tank, quarantine to tank.

What is compared is what the probes see: temperature and pH. Hardness and salts, which matter as much, they
don't see; the text says so.
"""

from __future__ import annotations

from collections.abc import Iterator

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.alarms.wording import duration_text
from rushlight.analysis.physics.fit_for_animals import AnimalLimits, Destination, Verdict, limits_of, may_move
from rushlight.analysis.physics.mixing import Match, Water, compare
from rushlight.analysis.physics.numbers import MIXING
from rushlight.analysis.physics.water import mixed_temperature_c
from rushlight.analysis.views.facts import carbon_dioxide_now
from rushlight.analysis.watch.saved import watch_of
from rushlight.collector.errors import SettingsError
from rushlight.collector.log import Clock
from rushlight.collector.readings import PH, SOURCE_PH, SOURCE_TEMPERATURE, TEMPERATURE, Flag, Reading
from rushlight.collector.service.listener import system_clock
from rushlight.collector.service.parts import settings_of_tank
from rushlight.collector.settings import LivestockSettings, Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["FRESH_MS", "comparison", "match_lines", "second_water", "tank_water"]

FRESH_MS = 3_600_000
"""A reading older than this says nothing of the water now."""

_DAY_MS = 86_400_000
_STEP_MS = 600_000

_PAUSE_MIN = 15  # between two portions: common practice, no source
_FAR_C = 5.0  # from here on it is acclimation, a matter of days: common practice, no source for the figure
_RICHER = 2.0  # times the share of NH3 from which the carrying water matters: common practice, no source


def second_water(store: EmbeddedStore, tank: str, now_ms: int) -> Water:
    """What the tank's device measures in the second body of water."""
    return _water("the other water", store, tank, SOURCE_TEMPERATURE, SOURCE_PH, now_ms)


def tank_water(store: EmbeddedStore, tank: str, title: str, now_ms: int) -> Water:
    """The tank's own water."""
    return _water(title or tank, store, tank, TEMPERATURE, PH, now_ms)


def _water(name: str, store: EmbeddedStore, tank: str, temperature: str, ph: str, now_ms: int) -> Water:
    latest = store.latest(tank)
    return Water(
        name,
        _fresh(latest.get(temperature), now_ms),
        _fresh(latest.get(ph), now_ms),
        _day(store, tank, temperature, now_ms),
        _day(store, tank, ph, now_ms),
    )


def _fresh(reading: Reading | None, now_ms: int) -> float | None:
    if reading is None or abs(now_ms - reading.time_ms) > FRESH_MS or reading.flag > Flag.NOT_EVALUATED:
        return None
    return reading.value


def _day(store: EmbeddedStore, tank: str, quantity: str, now_ms: int) -> tuple[float, float] | None:
    start = (now_ms - _DAY_MS) // _STEP_MS * _STEP_MS
    steps = store.extremes(tank, quantity, start, now_ms + 1, _STEP_MS).values()
    return (min(low for low, _ in steps), max(high for _, high in steps)) if steps else None


def match_lines(
    here: Water,
    there: Water,
    livestock: LivestockSettings,
    animals: AnimalLimits | None = None,
    gas: tuple[float, float] | None = None,
    gas_unknown: bool = False,
) -> Iterator[str]:
    """The comparison in words, a line each; how to mix only where the animals may go there at all.

    Parameters
    ----------
    here, there : Water
        Where they are to go, and where they are.
    livestock : LivestockSettings
        Of `here`.
    animals : AnimalLimits, optional
        Of those that are to be moved; those of `livestock` where nothing else is known.
    gas : (float, float), optional
        CO2 of `here` and one standard error above it, mg/L.
    gas_unknown : bool
        CO2 is a matter in `here`, and nothing fresh has been judged of it.
    """
    found = compare(here, there)
    if animals is None:
        animals = AnimalLimits("the animals to be moved")
    co2, most = gas or (None, None)
    to = Destination(here.name, here.celsius, here.ph, co2, most, here.day_c, gas_unknown)
    verdict = may_move(to, animals, livestock)
    width = max(len(here.name), len(there.name))
    for title, water in (("from", there), ("to", here)):
        yield f"{title:4}  {water.name:{width}}  {_reading(water.celsius, water.day_c, ' °C', 1)}, " + (
            f"pH {_reading(water.ph, water.day_ph, '', 2)}"
        )
    if verdict.answer == "don't":
        yield from _refusal(verdict, here)
        return
    if found.matched is None:
        missing = there.name if there.celsius is None else here.name
        yield (
            f"Unknown: no good temperature of {missing} within the last "
            f"{duration_text(FRESH_MS / 1000)}. Look at its probe, or measure by hand."
        )
        yield CAUTIONS["electrical"]
        return
    yield _verdict(found, here, there)
    yield from (
        f"{'Wait' if verdict.answer == 'wait' else 'Take care'}: {reason}." for reason in verdict.reasons
    )
    if found.portions and verdict.answer == "go":
        yield _mixing(found, here, there)
    if found.colder_c is not None and abs(found.colder_c) >= _FAR_C:
        yield (
            "Don't do this in one go. Spread it over days, at no more than 1 to 2 °C a day (common practice, "
            "no source), in a covered tub with an air stone, in a room whose temperature lies between. "
            "(Channel catfish take 1 to 3 days to get used to warmer water, 4 to 14 to colder: Allen & "
            "Strawn 1971.)"
        )
    if animals.temperature_low_c is None or animals.temperature_high_c is None:
        yield (
            "The limits of the animals to be moved are not known: give --temperature-low and "
            f"--temperature-high. {here.name} is kept from {livestock.temperature_low_c:g} to "
            f"{livestock.temperature_high_c:g} °C."
        )
    if found.ammonia is not None and found.ammonia > _RICHER:
        yield (
            f"In {here.name} {found.ammonia:.0f} times as much of any ammonia is of the poisonous form "
            "(NH3; Emerson et al. 1975): feed nothing for a day before."
        )
    if found.lower_ph is None:
        yield "The pH of one of them is not known: compare them with a drop test."
    yield "Don't pour the water they travel in into the tank."
    yield (
        "Not seen by any probe: hardness, salt, ammonia, medicines. Test KH and GH of both; where CO2 runs, "
        "compare samples left open for a day, because the gas alone lowers the pH."
    )
    yield CAUTIONS["electrical"]
    yield CAUTIONS["animals"]


def _refusal(verdict: Verdict, here: Water) -> Iterator[str]:
    """Why not, and no plan."""
    for reason in verdict.reasons:
        yield f"Don't move them into {here.name}: {reason}."
    yield CAUTIONS["electrical"]
    if any("CO2" in reason for reason in verdict.reasons):
        yield CAUTIONS["gas"]
    yield CAUTIONS["animals"]


def _reading(value: float | None, day: tuple[float, float] | None, unit: str, decimals: int) -> str:
    now = "not known" if value is None else f"{value:.{decimals}f}{unit}"
    return now if day is None else f"{now} ({day[0]:.{decimals}f} to {day[1]:.{decimals}f}{unit} in a day)"


def _verdict(found: Match, here: Water, there: Water) -> str:
    assert found.colder_c is not None
    parts = [f"{abs(found.colder_c):.1f} °C {'colder' if found.colder_c > 0 else 'warmer'}"]
    if found.lower_ph is not None:
        parts.append(f"{abs(found.lower_ph):.2f} pH {'lower' if found.lower_ph > 0 else 'higher'}")
    differs = f"{there.name} is {' and '.join(parts)} than {here.name}"
    if found.matched:
        return f"They match: {differs}. Float the closed bag or bucket half an hour all the same."
    return f"They do not match: {differs}."


def _mixing(found: Match, here: Water, there: Water) -> str:
    assert here.celsius is not None and there.celsius is not None
    return (
        "Bring them together slowly: exchange a quarter of the carrying water for water of "
        f"{here.name}, wait {_PAUSE_MIN} min, {found.portions} times "
        f"({_after(found.portions, here.celsius, there.celsius)}). Slower is better. "
        f"A difference of {MIXING.close_c:g} °C, the pH figure, the portion and the pause are rules of thumb."
    )


def _after(portions: int, here_c: float, there_c: float) -> str:
    temperatures = []
    celsius = there_c
    for _ in range(portions):
        celsius = mixed_temperature_c(1.0 - MIXING.portion_share, celsius, MIXING.portion_share, here_c)
        temperatures.append(f"{celsius:.1f}")
    return " → ".join([f"{there_c:.1f}", *temperatures]) + " °C"


def comparison(
    settings: Settings,
    tank: str,
    other: str | None,
    clock: Clock = system_clock,
    typed: tuple[float | None, float | None] = (None, None),
) -> Iterator[str]:
    """Lines that say whether `tank` and `other` (None: the tank's second water) match now.

    `typed`: the lowest and highest °C that the animals to be moved can bear, as a person gave them; they come
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
    to = settings.tanks[tank]
    matters = (to.water.carbonate_hardness_dkh, to.water.degassed_ph, to.co2) != (None, None, None)
    yield from match_lines(here, there, to.livestock, animals, now, now is None and matters)


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
