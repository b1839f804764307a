"""The mains device that pH steps come and go with."""

from __future__ import annotations

import itertools

from rushlight.analysis.detectors.stray_current.numbers import CURRENT
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import DAY_MS

__all__ = ["away_back_away", "by_the_clock", "follows", "lately", "telegraph"]


def lately(switches: list[int], now: int, span_ms: int) -> list[int]:
    """Which of the switchings are not too long ago, and long enough that a step beside them is seen."""
    return [index for index, t in enumerate(switches) if now - t < span_ms and now - t > CURRENT.beside_ms]


def follows(
    times: list[int], sizes: list[float], switches: list[int], signs: list[int], recent: list[int]
) -> int:
    """How many of the switchings have a pH step beside them, all of one size and sense (0: too few)."""
    found: list[float] = []
    for index in recent:
        near = [
            size * signs[index]
            for t, size in zip(times, sizes, strict=True)
            if abs(t - switches[index]) <= CURRENT.beside_ms
        ]
        if near:
            found.append(max(near, key=abs))
    if len(found) < 2 or len(found) < CURRENT.beside_share * len(recent):
        return 0
    size = median(found)
    if not size:  # as many one way as the other
        return 0
    alike = [f for f in found if CURRENT.follows_low < f / size < CURRENT.follows_high]
    return len(alike) if len(alike) >= CURRENT.follows_share * len(found) else 0


def telegraph(sizes: list[float]) -> bool:
    """Steps of one size that alternate: electrical, whatever the device."""
    if len(sizes) < CURRENT.telegraph_steps:
        return False
    size = median([abs(one) for one in sizes])
    if len(sizes) < CURRENT.telegraph_small_steps and size < CURRENT.small_ph:
        return False
    low, high = CURRENT.telegraph_low * size, CURRENT.telegraph_high * size
    alike = [one for one in sizes if low < abs(one) < high]
    turns = sum(1 for a, b in itertools.pairwise(alike) if a * b < 0)
    enough = len(alike) >= max(CURRENT.telegraph_steps, CURRENT.telegraph_share * len(sizes))
    return enough and turns >= CURRENT.turns_share * (len(alike) - 1)


def away_back_away(times: list[int], sizes: list[float]) -> bool:
    """Three large steps of one size, up and down, that each lasted.

    Hands, a rinse or a calibration take an electrode out and back within the half-hour and not by one size.
    """
    if len(sizes) <= 2 or not CURRENT.three_least_ms <= times[-1] - times[-3] <= CURRENT.three_most_ms:
        return False
    first, second, third = sizes[-3:]
    size = median([abs(first), abs(second), abs(third)])
    lasted = all(b - a > CURRENT.three_lasted_ms for a, b in itertools.pairwise(times[-3:]))
    low, high = CURRENT.three_low * size, CURRENT.three_high * size
    alike = all(low < abs(one) < high for one in sizes[-3:])
    return size >= CURRENT.three_ph and lasted and alike and first * second < 0 and second * third < 0


def by_the_clock(times: list[int], sizes: list[float]) -> bool:
    """The newest step came a day before too, the same way and as large, and was taken back in between."""
    size, time_ms = sizes[-1], times[-1]
    for index in range(len(times) - 2, -1, -1):
        near = abs(time_ms - times[index] - DAY_MS) <= CURRENT.clock_ms
        if near and CURRENT.clock_low < sizes[index] / size < CURRENT.clock_high:
            low, high = CURRENT.clock_back_low, CURRENT.clock_back_high
            return any(low < -back / size < high for back in sizes[index + 1 : -1])
    return False
