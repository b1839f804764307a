"""Do two waters match? Before animals go from one to the other: tub to tank, quarantine to tank.

What is compared is what the probes see: temperature and pH. Hardness and salts, which matter as much, they
don't see; the text says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from analysis.alarm_texts import duration_text
from analysis.cautions import CAUTIONS
from analysis.moving import AnimalLimits, Destination, Verdict, may_move
from analysis.water import mixed_temperature_c, unionised_ammonia_fraction
from collector.readings import PH, SOURCE_PH, SOURCE_TEMPERATURE, TEMPERATURE, Flag, Reading
from collector.settings import LivestockSettings
from collector.store.embedded import EmbeddedStore

__all__ = ["FRESH_MS", "Match", "Water", "compare", "match_lines", "second_water", "tank_water"]

FRESH_MS = 3_600_000
"""A reading older than this says nothing of the water now."""

_DAY_MS = 86_400_000
_STEP_MS = 600_000
_CLOSE_C = 2.0  # float the bag until less is left: excerpt of an unnamed review, weak; no better was found
_CLOSE_PH = 0.5  # common practice, no source
_PORTION = 0.25  # of the bucket, exchanged at a time: common practice, no source
_PAUSE_MIN = 15  # between two portions: common practice, no source
_FAR_C = 5.0  # from here on it is acclimation, a matter of days: common practice, no source for the figure
_RICHER = 2.0  # times the share of NH3 from which the carrying water matters: common practice, no source


class Water(NamedTuple):
    """One water as last seen: °C and pH (None: no fresh good reading) and the day's lowest and highest."""

    name: str
    celsius: float | None
    ph: float | None
    day_c: tuple[float, float] | None = None
    day_ph: tuple[float, float] | None = None


class Match(NamedTuple):
    """How the waters differ: there less here, None where one is not known.

    Attributes
    ----------
    colder_c : float or None
        How many °C the water the animals come from is colder (negative: warmer) than the one they go to.
    lower_ph : float or None
        As much for pH.
    portions : int
        How many times a quarter of the carrying water must be exchanged until both differences are small.
    ammonia : float or None
        By what factor the poisonous share of ammonia grows on the way (Emerson et al. 1975).
    matched : bool or None
        None where the temperature of either is not known.
    """

    colder_c: float | None
    lower_ph: float | None
    portions: int
    ammonia: float | None
    matched: bool | None


def compare(here: Water, there: Water) -> Match:
    """Compare the water animals are in (`there`) with the one they are to go to (`here`)."""
    colder = None if here.celsius is None or there.celsius is None else here.celsius - there.celsius
    lower = None if here.ph is None or there.ph is None else here.ph - there.ph
    ammonia = None
    if (
        here.celsius is not None
        and there.celsius is not None
        and here.ph is not None
        and there.ph is not None
    ):
        ammonia = unionised_ammonia_fraction(here.ph, here.celsius) / unionised_ammonia_fraction(
            there.ph, there.celsius
        )
    close = colder is not None and abs(colder) < _CLOSE_C and (lower is None or abs(lower) < _CLOSE_PH)
    return Match(
        colder,
        lower,
        max(_portions(colder, _CLOSE_C), _portions(lower, _CLOSE_PH)),
        ammonia,
        None if colder is None else close,
    )


def _portions(difference: float | None, close: float) -> int:
    """Exchanges until less than `close` is left: a share f leaves (1-f)^n of a difference after n.

    For pH this is rough: it is a logarithm, and does not mix in proportion.
    """
    if difference is None or abs(difference) < close:
        return 0
    return math.ceil(math.log(close / abs(difference)) / math.log(1.0 - _PORTION) + 1e-9)


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
    """
    found = compare(here, there)
    if animals is None:
        animals = AnimalLimits("the animals to be moved")
    co2, most = gas or (None, None)
    to = Destination(here.name, here.celsius, here.ph, co2, most, here.day_c)
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
            f"Can't be said: no good temperature of {missing} within the last "
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
            "So large a step is better spread over days, in a bucket or tub that stands in a room between: "
            "channel catfish take 1 to 3 days to get used to warmer water, 4 to 14 to colder (Allen & Strawn "
            "1971)."
        )
    if animals.temperature_low_c is None or animals.temperature_high_c is None:
        yield (
            "What the animals to be moved stand is not known: give it by --temperature-low and "
            f"--temperature-high. {here.name} is kept from {livestock.temperature_low_c:g} to "
            f"{livestock.temperature_high_c:g} °C."
        )
    if found.ammonia is not None and found.ammonia > _RICHER:
        yield (
            f"In {here.name} {found.ammonia:.0f} times as much of any ammonia is of the poisonous form "
            "(NH3; Emerson et al. 1975): don't pour the carrying water in, and feed nothing for a day before."
        )
    if found.lower_ph is None:
        yield "The pH of one of them is not known: compare it by a drop test."
    yield (
        "Not seen by any probe: hardness, salt, ammonia, medicines. Test KH and GH of both; where CO2 runs, "
        "compare samples that have stood for a day, since the gas alone lowers the pH."
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
    return now if day is None else f"{now} ({day[0]:.{decimals}f} to {day[1]:.{decimals}f} in a day)"


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
        f"({_after(found.portions, here.celsius, there.celsius)}). Slower is better. That under "
        f"{_CLOSE_C:g} °C is close enough is a weak source's; the pH figure, the portion and the pause are "
        "common practice."
    )


def _after(portions: int, here_c: float, there_c: float) -> str:
    temperatures = []
    celsius = there_c
    for _ in range(portions):
        celsius = mixed_temperature_c(1.0 - _PORTION, celsius, _PORTION, here_c)
        temperatures.append(f"{celsius:.1f}")
    return " → ".join([f"{there_c:.1f}", *temperatures]) + " °C"
