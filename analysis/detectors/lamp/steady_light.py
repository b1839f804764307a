"""The lamp's level out of a day of light where nobody wrote down its hours."""

from __future__ import annotations

from rushlight.analysis.detectors.lamp.numbers import TRACKER
from rushlight.analysis.estimators.robust import median

__all__ = ["level_beside_dark", "steady_level"]


def steady_level(values: list[float]) -> float | None:
    """At what brightness (lx) light rested for longest in a day of five-minute values; None if it did not.

    Sun and clouds move, a lamp stays as it is: the level at which most of what was steady lies together.
    """
    beside = TRACKER.steady_beside
    steady = []
    for i in range(beside, len(values) - beside):
        near = values[i - beside : i + beside + 1]
        if min(near) > TRACKER.lamp_lx and max(near) - min(near) <= TRACKER.steady_share * max(near):
            steady.append(values[i])
    steady.sort()
    best, first = steady[:0], 0
    for last, value in enumerate(steady):
        while steady[first] < (1 - TRACKER.together_share) * value:
            first += 1
        if last + 1 - first > len(best):
            best = steady[first : last + 1]
    return median(best) if len(best) >= TRACKER.blind_values else None


def level_beside_dark(values: list[float]) -> float | None:
    """How bright (lx) the hour just after dark or just before it was, in a day of five-minute values.

    A lamp comes out of the dark within minutes and stays as it is; where the sun joins it later, that hour
    alone shows its level. The dimmest of a day, for sunlight only adds; None without one.
    """
    hour, near = TRACKER.hour_values, TRACKER.switch_values
    levels = []
    for day in (values, values[::-1]):
        for first in range(near, len(day) - hour + 1):
            seen = day[first : first + hour]
            low, high = min(seen), max(seen)
            steady = low > TRACKER.lamp_lx and high - low <= TRACKER.together_share * high
            if steady and day[first - near] < TRACKER.before_share * low:
                levels.append(median(seen))
    return min(levels, default=None)
