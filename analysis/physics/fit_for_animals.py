"""May these animals go into that water? The verdict by the animals' own limits; pure functions.

`two_waters` says how two waters differ and how they are brought together. Whether they may be is asked here
first: no slow mixing makes water of 23 °C fit for animals that live between 4 and 16 °C.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from rushlight.collector.settings import LivestockSettings, TankSettings

__all__ = ["AnimalLimits", "Answer", "Destination", "Verdict", "limits_of", "may_move"]

Answer = Literal["go", "wait", "don't", "not known"]


class AnimalLimits(NamedTuple):
    """What the animals that are to be moved live within; None where it isn't known.

    `whose` is how the limits are called in a sentence ("the animals of Yard tub").
    """

    whose: str
    temperature_low_c: float | None = None
    temperature_high_c: float | None = None
    ph_low: float | None = None
    ph_high: float | None = None
    co2_limit_mg_l: float | None = None


class Destination(NamedTuple):
    """The water they are to go to: °C, pH, CO2 (mg/L), that and a standard error, the day's range of °C.

    `gas_unknown`: CO2 is a matter there, and no estimate of it is fresh.
    """

    name: str
    celsius: float | None = None
    ph: float | None = None
    co2_mg_l: float | None = None
    co2_high_mg_l: float | None = None
    day_c: tuple[float, float] | None = None
    gas_unknown: bool = False


class Verdict(NamedTuple):
    """Only with "go" is there anything to plan; `reasons` are a clause each."""

    answer: Answer
    reasons: list[str]


def limits_of(name: str, tank: TankSettings) -> AnimalLimits:
    """The limits of a tank's livestock, from its settings."""
    live, water = tank.livestock, tank.water
    return AnimalLimits(
        f"the animals of {tank.title or name}",
        live.temperature_low_c,
        live.temperature_high_c,
        water.ph_low,
        water.ph_high,
        live.co2_limit_mg_l,
    )


def may_move(to: Destination, animals: AnimalLimits, residents: LivestockSettings) -> Verdict:
    """Whether animals may go into a water.

    Parameters
    ----------
    to : Destination
    animals : AnimalLimits
        Of those that are to be moved.
    residents : LivestockSettings
        What the water is kept within for those that live in it.

    Returns
    -------
    Verdict
        "don't" where its temperature or pH is outside the limits of the animals or of its residents, or its
        CO2 over the lower of both limits; "wait" where its temperature has been outside the animals' limits
        within a day; "not known" without its temperature; else "go".
    """
    against: list[str] = []
    if to.celsius is not None:
        against += _outside(
            f"water of {to.celsius:.1f} °C",
            to.celsius,
            (animals.temperature_low_c, animals.temperature_high_c),
            "°C",
            animals.whose,
        )
    if to.ph is not None:
        against += _outside(f"pH {to.ph:.2f}", to.ph, (animals.ph_low, animals.ph_high), "", animals.whose)
    limit = residents.co2_limit_mg_l
    if animals.co2_limit_mg_l is not None:
        limit = min(limit, animals.co2_limit_mg_l)
    if to.co2_mg_l is not None and to.co2_mg_l > limit:
        against.append(
            f"it holds about {to.co2_mg_l:.0f} mg/L of CO2, over the limit of {limit:g}: close the gas, get "
            "air into the water, and ask again when it has fallen"
        )
    low, high = residents.temperature_low_c, residents.temperature_high_c
    if to.celsius is not None and not low <= to.celsius <= high:
        against.append(
            f"with {to.celsius:.1f} °C {to.name} itself is outside its livestock's limits ({low:g} to "
            f"{high:g} °C): put that right first"
        )
    if against:
        return Verdict("don't", against)
    if to.celsius is None:
        return Verdict("not known", [f"no good temperature of {to.name}"])
    for edge in to.day_c or ():
        if _outside("", edge, (animals.temperature_low_c, animals.temperature_high_c), "", ""):
            swing = (
                f"within the last day {to.name} was at {edge:.1f} °C, outside the limits of {animals.whose}"
            )
            return Verdict("wait", [f"{swing}: first see it stay within them for a day"])
    if to.co2_high_mg_l is not None and to.co2_high_mg_l > limit:
        may = f"CO2 in {to.name} may be up to {to.co2_high_mg_l:.0f} mg/L (limit {limit:g})"
        return Verdict("go", [f"{may}: test pH and KH first, or move them before the gas comes on"])
    if to.gas_unknown:
        return Verdict("go", [f"CO2 in {to.name} is not known: test pH and KH first"])
    return Verdict("go", [])


def _outside(
    what: str, value: float, limits: tuple[float | None, float | None], unit: str, whose: str
) -> list[str]:
    low, high = limits
    if (low is None or value >= low) and (high is None or value <= high):
        return []
    edge = f"{'above' if high is not None and value > high else 'below'} the limits of {whose}"
    span = " to ".join(f"{limit:g}" for limit in (low, high) if limit is not None)
    return [f"{what} is {edge} ({span}{' ' + unit if unit else ''}); no slow mixing changes that"]
