"""Whether a series rises or falls, without a model of how."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["mann_kendall"]


def mann_kendall(values: Sequence[float]) -> tuple[int, float]:
    """The Mann-Kendall count of a series and its standard error where there is no trend.

    Pairs that rise less pairs that fall (Mann 1945); its variance for n values without ties is
    n (n − 1) (2 n + 5) / 18 (Kendall 1975).
    """
    n = len(values)
    score = sum((b > a) - (b < a) for i, a in enumerate(values) for b in values[i + 1 :])
    return score, (n * (n - 1) * (2 * n + 5) / 18) ** 0.5
