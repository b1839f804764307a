"""How sure a share or a rate is."""

from __future__ import annotations

import math

__all__ = ["poisson", "wilson"]

Z95 = 1.959963984540054  # the normal quantile of 0.975


def wilson(hits: int, of: int) -> tuple[float, float]:
    """The 95 % interval of a share; (0, 1) where there is nothing.

    Wilson, E. B. (1927), Probable inference, the law of succession, and statistical inference, Journal of the
    American Statistical Association 22(158), 209-212.
    """
    if not of:
        return 0.0, 1.0
    p, z2 = hits / of, Z95 * Z95
    middle = (p + z2 / (2 * of)) / (1 + z2 / of)
    half = Z95 / (1 + z2 / of) * math.sqrt(p * (1 - p) / of + z2 / (4 * of * of))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def poisson(events: int, weeks: float) -> tuple[float, float]:
    """The 95 % interval of a rate from a count; (0, inf) where nothing was watched.

    Exact, after Garwood, F. (1936), Fiducial limits for the Poisson distribution, Biometrika 28, 437-442.
    """
    if weeks <= 0:
        return 0.0, math.inf

    def at_most(k: int, mean: float) -> float:
        term = total = math.exp(-mean)
        for i in range(1, k + 1):
            term *= mean / i
            total += term
        return total

    def mean_where(k: int, share: float) -> float:
        low, high = 0.0, k + 10 + 10 * math.sqrt(k + 1)
        for _ in range(80):
            middle = (low + high) / 2
            low, high = (middle, high) if at_most(k, middle) > share else (low, middle)
        return low

    lower = mean_where(events - 1, 0.975) if events else 0.0
    return lower / weeks, mean_where(events, 0.025) / weeks
