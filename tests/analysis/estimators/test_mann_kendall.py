"""The Mann-Kendall count; reference: all orders of a few values, each as likely as any other."""

from __future__ import annotations

import itertools
import statistics

import pytest

from rushlight.analysis.estimators.mann_kendall import mann_kendall


@pytest.mark.parametrize("n", [2, 4, 6])
def test_its_standard_error_is_that_of_all_orders(n: int) -> None:
    scores = [mann_kendall(order)[0] for order in itertools.permutations(range(n))]
    assert statistics.mean(scores) == 0
    assert mann_kendall(range(n))[1] == pytest.approx(statistics.pstdev(scores))


def test_a_rise_counts_every_pair_and_a_tie_none() -> None:
    assert mann_kendall([1.0, 2.0, 3.0, 4.0])[0] == 6
    assert mann_kendall([4.0, 3.0, 2.0, 1.0])[0] == -6
    assert mann_kendall([1.0, 1.0, 2.0])[0] == 2
