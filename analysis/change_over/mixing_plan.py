"""How the carrying water becomes the tank's water within a stated rate: by portions, by dripping, over days.

Temperature mixes by heat (`V1·T1 + V2·T2` over `V1 + V2`, equal heat capacities, no loss to the room),
hardness by dilution, in the same proportion. pH is a logarithm and does not: it follows hardness and CO2,
and is watched by a probe.
"""

from __future__ import annotations

import datetime
import math
from typing import NamedTuple

__all__ = ["RATES", "Drip", "Portion", "Rates", "Solution", "day_plan", "drip", "portions"]


class Rates(NamedTuple):
    """All common practice, no source, as no published rate for hobby fish was found."""

    c_per_h: float = 2.0  # temperature within an hour
    hardness_per_h: float = 4.0  # KH or GH, degrees within an hour
    step_min: float = 15.0  # between two portions
    close_c: float = 0.5  # so near the tank they are let go
    close_hardness: float = 1.0  # dGH or dKH
    days_from_c: float = 5.0  # a larger difference is a matter of days
    c_per_day: float = 1.5  # and then goes so fast


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


def _gaps(water: Solution, tank: Solution) -> list[tuple[float, float, float]]:
    """(difference, allowed an hour, close enough) of all that is known."""
    rows = [(abs(tank.celsius - water.celsius), RATES.c_per_h, RATES.close_c)]
    for mine, theirs in ((water.kh, tank.kh), (water.gh, tank.gh)):
        if mine is not None and theirs is not None:
            rows.append((abs(theirs - mine), RATES.hardness_per_h, RATES.close_hardness))
    return rows


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
    while any(gap > close for gap, _, close in _gaps(water, tank)) and len(done) < 500:
        share = min(
            [0.5, *(rate * RATES.step_min / 60 / gap for gap, rate, _ in _gaps(water, tank) if gap > 0)]
        )
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
    gaps = [(gap, rate, close) for gap, rate, close in _gaps(water, tank) if gap > close]
    if not gaps:
        return None
    litres_per_h = min(rate * water.litres / gap for gap, rate, _ in gaps)
    hours = max(water.litres * (gap / close - 1) / litres_per_h for gap, _, close in gaps)
    drops = litres_per_h * 1000 * 20 / 3600
    return Drip(litres_per_h, drops, hours, water.litres + litres_per_h * hours)


def day_plan(from_c: float, to_c: float, first: datetime.date) -> list[tuple[datetime.date, float]]:
    """What the tub should have reached on which day, at no more than the daily rate."""
    days = math.ceil(abs(to_c - from_c) / RATES.c_per_day)
    return [
        (first + datetime.timedelta(days=day), from_c + (to_c - from_c) * day / days)
        for day in range(1, days + 1)
    ]
