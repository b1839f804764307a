"""Two waters compared, and how they are mixed before animals are moved."""

from __future__ import annotations

import math
from typing import NamedTuple

from rushlight.analysis.physics.numbers import MIXING
from rushlight.analysis.physics.water import unionised_ammonia_fraction

__all__ = ["Match", "Water", "compare"]


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
    close = (
        colder is not None
        and abs(colder) < MIXING.close_c
        and (lower is None or abs(lower) < MIXING.close_ph)
    )
    return Match(
        colder,
        lower,
        max(_portions(colder, MIXING.close_c), _portions(lower, MIXING.close_ph)),
        ammonia,
        None if colder is None else close,
    )


def _portions(difference: float | None, close: float) -> int:
    """Exchanges until less than `close` is left: a share f leaves (1-f)^n of a difference after n.

    For pH this is rough: it is a logarithm, and does not mix in proportion.
    """
    if difference is None or abs(difference) < close:
        return 0
    return math.floor(math.log(close / abs(difference)) / math.log(1.0 - MIXING.portion_share)) + 1
