"""How alike a tank's days are, in their course and in their level."""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

from rushlight.analysis.detectors.gas.numbers import CURVE
from rushlight.analysis.detectors.gas.own_course_numbers import COURSE
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS

__all__ = ["DaySpreads", "course_mean_spread", "course_spread", "level_spread"]


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
    return _deviation(differences) if differences else None


def level_spread(profile: DailyProfile) -> float:
    """By how much pH differs from one day to the next at the same time; 0 before two days are known."""
    differences = [abs(b - a) for days in profile.kept.values() for a, b in itertools.pairwise(days)]
    return _deviation(differences) if differences else 0.0


def course_mean_spread(profile: DailyProfile, minute: float, bins: int) -> float:
    """By how much the mean of the `bins` half-hours up to `minute` differs from one day to the next.

    Those that end up to as many half-hours before or after are looked at as well. Where half-hours are not
    known on as many days, the last that all of them have are compared. 0 before two days are known.
    """
    kept, size, differences = profile.kept, len(profile.usual), []
    now = int(minute // (1440 / size))
    for begin in range(now - 2 * bins + 1, now + 2):
        run = [kept.get((begin + n) % size, []) for n in range(bins)]
        days = min(len(one) for one in run)
        means = [sum(day) / bins for day in zip(*(one[-days:] for one in run), strict=True)] if days else []
        differences += [abs(b - a) for a, b in itertools.pairwise(means)]
    return _deviation(differences) if differences else 0.0


def _deviation(differences: list[float]) -> float:
    """Of one value, by how far two of them are apart."""
    return CURVE.mad_to_sigma * median(differences) / math.sqrt(2)


class DaySpreads(NamedTuple):
    """By how much a tank's days differ, pH (standard deviations).

    Attributes
    ----------
    half, course, long_course : float or None
        In what pH does within half an hour, two hours and four; None before two days are known.
    levels : float
        In their level at any time of day.
    """

    half: float | None
    course: float | None
    long_course: float | None
    levels: float

    @classmethod
    def of(cls, profile: DailyProfile) -> DaySpreads:
        """Of the days that are kept."""
        half, course = course_spread(profile, 1), course_spread(profile, COURSE.bins)
        return cls(half, course, course_spread(profile, COURSE.long_bins), level_spread(profile))

    @property
    def drifts(self) -> float:
        """pH an hour by which this electrode drifts from the usual day and back by itself, now and then."""
        return COURSE.drift_errors * (self.half or 0.0) * HOUR_MS / (COURSE.bin_min * MINUTE_MS)
