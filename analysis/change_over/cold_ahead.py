"""When will a tub be too cold? By the line through its daily means, and by the night that is forecast."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from typing import NamedTuple

__all__ = ["NIGHT_H", "ColdAhead", "after_night", "cold_ahead"]

NIGHT_H = 10.0
"""So long a night is about as cold as its forecast lowest, at most. Common practice, no source."""

LEAST_DAYS = 4
"""Days of readings from which a trend is said. Common practice, no source."""
_STUDENT_95 = {2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 6: 2.45, 7: 2.36, 8: 2.31, 9: 2.26, 10: 2.23}
"""Two-sided 95 %, Student's t by degrees of freedom (any table of it)."""


class ColdAhead(NamedTuple):
    """°C a day, its error (95 %), the day it is likely too cold, and the earliest (None: not within 60
    days).
    """

    days_known: int
    c_per_day: float
    error: float
    likely: datetime.date | None
    earliest: datetime.date | None


def cold_ahead(days: Sequence[tuple[datetime.date, float, float]], low_c: float) -> ColdAhead | None:
    """The line through the daily means; None with fewer than four days.

    Parameters
    ----------
    days : sequence of (date, lowest, mean)
        °C, by date.
    low_c : float
        What the animals bear at the least: the day's lowest counts, as far below the mean as it usually is.
    """
    if len(days) < LEAST_DAYS:
        return None
    x = [(day - days[-1][0]).days for day, _, _ in days]
    y = [mean for _, _, mean in days]
    mid_x, mid_y = sum(x) / len(x), sum(y) / len(y)
    spread = sum((one - mid_x) ** 2 for one in x)
    slope = sum((a - mid_x) * (b - mid_y) for a, b in zip(x, y, strict=True)) / spread
    left = sum((b - mid_y - slope * (a - mid_x)) ** 2 for a, b in zip(x, y, strict=True))
    free = len(x) - 2
    error = _STUDENT_95.get(free, 2.1) * math.sqrt(left / free / spread)
    below = sum(mean - low for _, low, mean in days) / len(days)
    now = mid_y - slope * mid_x - below
    return ColdAhead(
        len(days),
        slope,
        error,
        _when(now, slope, low_c, days[-1][0]),
        _when(now, slope - error, low_c, days[-1][0]),
    )


def after_night(water_c: float, night_c: float, tau_h: float) -> float:
    """°C by the morning, by Newton's law of cooling: the air is as cold as the forecast for all the night."""
    return night_c + (water_c - night_c) * math.exp(-NIGHT_H / tau_h)


def _when(now: float, slope: float, low_c: float, today: datetime.date) -> datetime.date | None:
    if now <= low_c:
        return today
    if slope >= 0 or (now - low_c) / -slope > 60:
        return None
    return today + datetime.timedelta(days=math.floor((now - low_c) / -slope))
