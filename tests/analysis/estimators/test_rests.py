"""How long a live series rests, against series of exponential rests (numpy's generator)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rushlight.analysis.estimators.numbers import RESTS
from rushlight.analysis.estimators.rests import Rests


def days(scale: float, rests: int, count: int, seed: int) -> Rests:
    rng = np.random.default_rng(seed)
    known = Rests()
    for day in range(count):
        for length in rng.exponential(scale, rests):
            known.note(day, float(length), ended=True)
    return known


@pytest.mark.parametrize("count", [3, 8])
@pytest.mark.parametrize("rests", [2, 5, 20])
def test_a_live_series_passes_its_limit_less_than_once_in_a_thousand_days(rests: int, count: int) -> None:
    """P(longest of n > t) is 1 - (1 - exp(-t/b))**n: the mean time between false alarms is its inverse.

    Few days know little: it holds of 3 series in 4 and more (84 % meant), after two days as after seven.
    """
    between = []
    for seed in range(200):
        limit = days(10.0, rests, count, seed).limit_min()
        between.append(1 / (-math.expm1(rests * math.log1p(-math.exp(-limit / 10.0)))))
    assert float(np.mean(np.array(between) > RESTS.false_days)) > 0.75


def test_nothing_is_known_of_the_first_two_days() -> None:
    known = days(10.0, 5, RESTS.days_known, 1)
    assert not known.known() and known.limit_min() == 0.0
    known.note(RESTS.days_known, 1.0, ended=False)
    assert known.known() and known.limit_min() > 0


def test_constants_are_what_their_sources_say() -> None:
    assert pytest.approx(float(np.euler_gamma), rel=1e-4) == RESTS.euler
    assert pytest.approx(math.pi / math.sqrt(6), rel=1e-4) == RESTS.gumbel_sd
    # of a maximum-likelihood quantile, Gumbel: (1 - γ)² 6/π² + 1, 2 (1 - γ) 6/π², 6/π²
    share = 6 / math.pi**2
    assert pytest.approx(1 + share * (1 - np.euler_gamma) ** 2, abs=1e-3) == RESTS.error_level
    assert pytest.approx(2 * share * (1 - np.euler_gamma), abs=1e-3) == RESTS.error_slope
    assert pytest.approx(share, abs=1e-3) == RESTS.error_square
