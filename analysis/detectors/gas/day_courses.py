"""How alike a tank's days are in their course, whatever their level."""

from __future__ import annotations

import itertools
import math

from rushlight.analysis.detectors.gas.numbers import CURVE
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.analysis.estimators.robust import median

__all__ = ["course_spread"]


def course_spread(profile: DailyProfile, bins: int) -> float | None:
    """By how much pH changes otherwise within so many half-hours from one day to the next.

    A standard deviation by the median difference between neighbouring days; None before two are known.
    """
    kept, differences = profile.kept, []
    for index, first in kept.items():
        later = kept.get((index + bins) % len(profile.usual), [])
        days = min(len(first), len(later))
        courses = [b - a for a, b in zip(first[-days:], later[-days:], strict=True)] if days else []
        differences += [abs(b - a) for a, b in itertools.pairwise(courses)]
    return CURVE.mad_to_sigma * median(differences) / math.sqrt(2) if differences else None
