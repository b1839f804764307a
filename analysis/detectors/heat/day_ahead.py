"""What the day still brings: water that the sun warms and cools each day at the same hours."""

from __future__ import annotations

import math

from rushlight.analysis.detectors.heat.numbers import HEAT, LIMITS
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.analysis.estimators.numbers import DAILY
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["day_brings"]


def day_brings(profile: DailyProfile | None, window: Window, minute: float, speed: float) -> float:
    """How much warmer (°C) water that the day moves will be at most; infinite where the day does not.

    Sun on a tub warms it each day until one and the same hour. Where it usually rose in the last hour, today
    is a usual day times one factor, and so is what lies ahead. Where it usually still rises, a course that
    comes to rest when it usually does, a parabola, goes half as far as at today's `speed` (°C/h). The smaller
    of the two counts. Heat at an hour at which the water else does not rise is not the day's.

    Parameters
    ----------
    profile : DailyProfile or None
        The usual day, °C.
    window : Window
        The water's course, five-minute means up to now, °C.
    minute : float
        Of the day, now.
    speed : float
        Of the last hour, °C/h.
    """
    if profile is None or not window.times or not all(profile.days):
        return math.inf
    if max(profile.usual) - min(profile.usual) < LIMITS.moved_c:
        return math.inf
    ahead = range(LIMITS.ahead_min, int(LIMITS.expect_h * 60) + 1, LIMITS.ahead_min)
    levels = [(profile.at((minute + later) % 1440) or 0.0, later) for later in ahead]
    highest, peak_min = max(levels, key=lambda level: level[0])
    brings = math.inf
    if highest - levels[0][0] >= LIMITS.moves_c:
        brings = speed * peak_min / 60 / 2
    before, now = (_before_today(profile, window, minute, back) for back in (HEAT.long_slope_min, 0))
    if before is not None and now is not None:
        usual = (now - before) / (HEAT.long_slope_min / 60)
        if usual >= LIMITS.moves_c and speed <= LIMITS.day_scale * usual:
            brings = min(brings, max(0.0, highest - now) * speed / usual)
    return brings + LIMITS.tolerance_c


def _before_today(profile: DailyProfile, window: Window, minute: float, back_min: int) -> float | None:
    """The usual level (°C) so long ago, as it was before today's: what today has added is taken out again."""
    width = 1440 / DAILY.bins
    place = (minute - back_min) / width - 1 / 2
    low, now = math.floor(place), int(minute // width)
    share = place - low
    levels = []
    for index in (low, low + 1):
        usual, weight = profile.usual[index % DAILY.bins], _weight(profile.days[index % DAILY.bins])
        since_ms = window.times[-1] - round((minute - index * width) * MINUTE_MS)
        until_ms = since_ms + round(width * MINUTE_MS)
        pairs = zip(window.times, window.values, strict=True)
        todays = [value for at, value in pairs if since_ms <= at < until_ms]
        if index < now and todays:  # its half-hour is over, so it has been learnt
            if weight >= 1:
                return None  # no other day is known
            usual = (usual - weight * sum(todays) / len(todays)) / (1 - weight)
        levels.append(usual)
    return levels[0] * (1 - share) + levels[1] * share


def _weight(days: int) -> float:
    """The newest day's share in the usual level."""
    return max(DAILY.forget_share, 1 / days)
