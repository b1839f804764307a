"""Median, spread and slope that a few wild values don't move."""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.analysis.estimators.numbers import ROBUST

__all__ = ["median", "spread", "theil_sen"]


def median(values: Sequence[float]) -> float:
    """Median; ValueError on an empty list."""
    count = len(values)
    if not count:
        raise ValueError("median of nothing")
    ordered = sorted(values)
    middle = count >> 1
    return ordered[middle] if count & 1 else (ordered[middle - 1] + ordered[middle]) / 2


def spread(values: list[float]) -> float:
    """Robust standard deviation, 1.4826 times the median absolute deviation (0 for fewer than 3 values)."""
    if len(values) < ROBUST.fewest:
        return 0.0
    centre = median(values)
    return ROBUST.sd_per_mad * median([abs(value - centre) for value in values])


def theil_sen(xs: list[float], ys: list[float]) -> float:
    """Median of the pairwise slopes (Theil 1950, Sen 1968); 0 for fewer than two points."""
    slopes = [
        (ys[j] - ys[i]) / (xs[j] - xs[i])
        for i in range(len(xs))
        for j in range(i + 1, len(xs))
        if xs[j] != xs[i]
    ]
    return median(slopes) if slopes else 0.0
