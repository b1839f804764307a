"""Whether pH goes on falling, as with gas, or has stepped: an electrode in a buffer, in air, in a current.

Two courses are laid through the last minutes: level, then a straight fall that lasts until now; and one
level, then another, with a frame between them that may be anything. Whichever leaves less is likelier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from rushlight.analysis.detectors.gas.shaken_electrode_numbers import SHAKEN
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["falls_on"]


def falls_on(times: Sequence[int], values: Sequence[float], noise: float) -> bool:
    """Whether a fall that goes on is surely likelier than a step.

    Few steps are small and slow enough to look like a surge at all; of those one in `SURGE.odds` passes at
    most (likelihood ratio; Wald 1945, Ann. Math. Stat. 16:117).

    Parameters
    ----------
    times : sequence of int
        ms UTC.
    values : sequence of float
        pH by the minute.
    noise : float
        Standard deviation of a value, pH, at rest.
    """
    count = len(values)
    if count < SURGE.least_frames:
        return False
    at = [(one - times[0]) / MINUTE_MS for one in times]
    # second differences show how it shakes now, and hardly how a fall bends
    bends = [values[n] - 2 * values[n + 1] + values[n + 2] for n in range(count - 2)]
    shakes = sum(bend * bend for bend in bends) / len(bends) / SHAKEN.bend_variances
    variance = max(noise * noise, shakes)
    left, stepped = _fall(at, values), _step(values, variance)
    return (stepped - left) / (2 * variance) > math.log(SURGE.odds)


def _fall(at: Sequence[float], values: Sequence[float]) -> float:
    """Least sum of squares about a level that bends into a straight line, at the likeliest minute."""
    count, total = len(values), sum(values)
    mean = total / count
    least = whole = sum((value - mean) ** 2 for value in values)
    for bend in range(count - 1):
        begin = at[bend]
        run = [max(0.0, one - begin) for one in at]
        middle = sum(run) / count
        across = sum((one - middle) ** 2 for one in run)
        along = sum((one - middle) * (value - mean) for one, value in zip(run, values, strict=True))
        if along < 0.0:
            least = min(least, whole - along * along / across)
    return max(least, 0.0)


def _step(values: Sequence[float], variance: float) -> float:
    """Least sum of squares about two levels; a value between them costs its `variance`."""
    sums, squares = [0.0], [0.0]
    offset = values[0]  # pH squared less pH squared would lose digits
    for value in values:
        sums.append(sums[-1] + value - offset)
        squares.append(squares[-1] + (value - offset) ** 2)
    count, least = len(values), math.inf
    for between in range(SURGE.between_frames + 1):
        for end in range(1, count - between):
            after = end + between
            before = squares[end] - sums[end] ** 2 / end
            rest = squares[count] - squares[after] - (sums[count] - sums[after]) ** 2 / (count - after)
            least = min(least, before + rest + between * variance)
    return least
