"""How the carrying water becomes the tank's water within a stated rate: by portions, by dripping, over days.

Temperature mixes by heat (`V1·T1 + V2·T2` over `V1 + V2`, equal heat capacities, no loss to the room),
hardness by dilution, in the same proportion. pH is a logarithm and does not: it follows hardness and CO2,
and is watched by a probe.
"""

from __future__ import annotations

import datetime
import math
from typing import NamedTuple

__all__ = [
    "RATES",
    "Day",
    "Drip",
    "Portion",
    "Rates",
    "Solution",
    "days_plan",
    "drip",
    "gaps",
    "portion_share",
    "portions",
]


class Rates(NamedTuple):
    """All common practice, no source, as no published rate for hobby fish was found."""

    c_per_h: float = 2.0  # temperature within an hour
    hardness_per_h: float = 4.0  # KH or GH, degrees within an hour
    step_min: float = 15.0  # between two portions
    close_c: float = 0.5  # so near the tank they are let go
    close_hardness: float = 1.0  # dGH or dKH
    days_from_c: float = 5.0  # a larger difference is a matter of days
    c_per_day: float = 1.5  # and then goes so fast
    hardness_per_day: float = 3.0  # KH or GH, degrees a day, where it goes over days
    ph_per_day: float = 0.3  # and pH
    close_ph: float = 0.2  # pH of the two that is as good as the same


RATES = Rates()


class Solution(NamedTuple):
    """A water: litres, °C, KH and GH in degrees (None: not known)."""

    litres: float
    celsius: float
    kh: float | None = None
    gh: float | None = None

    def with_(self, litres: float, other: Solution) -> Solution:
        """With so many litres of another water poured in."""
        share = litres / (self.litres + litres)

        def mixed(mine: float | None, theirs: float | None) -> float | None:
            return None if mine is None or theirs is None else mine + share * (theirs - mine)

        celsius = self.celsius + share * (other.celsius - self.celsius)
        return Solution(self.litres + litres, celsius, mixed(self.kh, other.kh), mixed(self.gh, other.gh))


class Portion(NamedTuple):
    """One step: minutes from the beginning, litres poured out and in, the water behind it."""

    minute: float
    out_litres: float
    in_litres: float
    water: Solution


class Drip(NamedTuple):
    """Litres an hour, drops a second (20 to the mL, common practice), hours, and the litres at the end."""

    litres_per_h: float
    drops_per_s: float
    hours: float
    litres: float


def gaps(water: Solution, tank: Solution) -> list[tuple[float, float, float]]:
    """(difference, allowed an hour, close enough) of all that is known."""
    rows = [(abs(tank.celsius - water.celsius), RATES.c_per_h, RATES.close_c)]
    for mine, theirs in ((water.kh, tank.kh), (water.gh, tank.gh)):
        if mine is not None and theirs is not None:
            rows.append((abs(theirs - mine), RATES.hardness_per_h, RATES.close_hardness))
    return rows


def portion_share(water: Solution, tank: Solution) -> float:
    """Share of the mixed water that the next portion may be, so that nothing goes faster than its rate."""
    return min([0.5, *(rate * RATES.step_min / 60 / gap for gap, rate, _ in gaps(water, tank) if gap > 0)])


def portions(water: Solution, tank: Solution, container_litres: float) -> list[Portion]:
    """Portions of the tank's water, one each quarter of an hour, until the two are close.

    Parameters
    ----------
    water : Solution
        In which they are carried.
    container_litres : float
        What the container holds; before it would run over, it is poured down to the first level.

    Raises
    ------
    ValueError
        The container is smaller than its water.
    """
    if not 0 < water.litres < container_litres:
        raise ValueError(
            f"a container of {container_litres:g} L can't hold {water.litres:g} L and more; leave "
            f"room for as "
            "much again"
        )
    first, done = water.litres, list[Portion]()
    while any(gap > close for gap, _, close in gaps(water, tank)) and len(done) < 500:
        share = portion_share(water, tank)
        out = 0.0
        if water.litres / (1 - share) > container_litres + 1e-9:
            out = water.litres - min(first, container_litres * (1 - share))
            water = water._replace(litres=water.litres - out)
        litres = water.litres * share / (1 - share)
        water = water.with_(litres, tank)
        done.append(Portion(len(done) * RATES.step_min, out, litres, water))
    return done


def drip(water: Solution, tank: Solution) -> Drip | None:
    """Dripping at one rate, nothing poured out; None where they are close.

    In t hours V becomes V + q·t and a difference D becomes D·V/(V + q·t). It changes fastest at the
    beginning, by D·q/V an hour.
    """
    open_ = [(gap, rate, close) for gap, rate, close in gaps(water, tank) if gap > close]
    if not open_:
        return None
    litres_per_h = min(rate * water.litres / gap for gap, rate, _ in open_)
    hours = max(water.litres * (gap / close - 1) / litres_per_h for gap, _, close in open_)
    drops = litres_per_h * 1000 * 20 / 3600
    return Drip(litres_per_h, drops, hours, water.litres + litres_per_h * hours)


class Day(NamedTuple):
    """What a day should have reached: °C, KH, GH and pH (None: not known), and which share of the tub's water
    is exchanged for the tank's on it.
    """

    date: datetime.date
    celsius: float
    share: float
    kh: float | None
    gh: float | None
    ph: float | None


def days_plan(
    water: Solution, tank: Solution, phs: tuple[float | None, float | None], first: datetime.date
) -> list[Day]:
    """The way over days; all of it goes evenly, as slowly as the slowest needs.

    The room brings the temperature; hardness comes by exchanging water, 1/n, 1/(n-1) … of it a day, which
    leaves (n-1)/n, (n-2)/n … of the difference. pH follows hardness and CO2 by itself and is measured.

    Parameters
    ----------
    phs : (float or None, float or None)
        Of the carrying water and of the tank.
    """
    here, there = phs
    needed = [abs(tank.celsius - water.celsius) / RATES.c_per_day]
    for mine, theirs in ((water.kh, tank.kh), (water.gh, tank.gh)):
        if mine is not None and theirs is not None:
            needed.append(abs(theirs - mine) / RATES.hardness_per_day)
    if here is not None and there is not None:
        needed.append(abs(there - here) / RATES.ph_per_day)
    days = max(1, math.ceil(max(needed) - 1e-9))

    def on(mine: float | None, theirs: float | None, day: int) -> float | None:
        return None if mine is None or theirs is None else mine + (theirs - mine) * day / days

    return [
        Day(
            first + datetime.timedelta(days=day),
            water.celsius + (tank.celsius - water.celsius) * day / days,
            1 / (days - day + 1) if day < days else 1.0,
            on(water.kh, tank.kh, day),
            on(water.gh, tank.gh, day),
            on(here, there, day),
        )
        for day in range(1, days + 1)
    ]
