"""A lamp that loses light over weeks: the fall of its plateaus, where it is more than weather."""

from __future__ import annotations

import itertools

import msgspec

from rushlight.analysis.detectors.lamp.numbers import DIMMING
from rushlight.analysis.estimators.mann_kendall import mann_kendall
from rushlight.analysis.estimators.robust import median, theil_sen
from rushlight.analysis.findings import Finding

__all__ = ["LampDimming"]


class LampDimming(msgspec.Struct):
    """Whether the lamp dims; `numbers` are lux at the beginning and now, the fall (a share) and its days."""

    standing: bool = False
    numbers: list[float] = msgspec.field(default_factory=list)

    def judge(self, plateaus: list[float], plateau_days: list[int]) -> None:
        """Robust slope over the last three weeks, with the Mann–Kendall count as its test.

        Sunlight through the photoperiod makes the days differ by far more than a lamp does: a fall counts
        only where it differs clearly from that.
        """
        levels = plateaus[-DIMMING.last_days :]
        days = [float(day) for day in plateau_days[-DIMMING.last_days :]]
        drops = [a - b for a, b in itertools.pairwise(levels)]
        if drops:
            largest = max(range(len(drops)), key=lambda i: abs(drops[i]))
            if abs(drops[largest]) > DIMMING.step_share * levels[0]:
                levels, days = levels[largest + 1 :], days[largest + 1 :]
        if len(levels) < DIMMING.least_days:
            self.standing = False
            return
        slope = theil_sen(days, levels)
        start = median([v - slope * d for v, d in zip(levels, days, strict=True)]) + slope * days[0]
        fall = -slope * (days[-1] - days[0]) / start if start > 0 else 0.0
        score, sigma = mann_kendall(levels)
        # day against day: a lamp that begins to age has a kink in its course, weather has one each day
        bends = [abs(a - 2 * b + c) for a, b, c in zip(levels, levels[1:], levels[2:], strict=False)]
        weather = median(bends) / DIMMING.bend_per_sd
        limit = DIMMING.fall_share * (DIMMING.over_factor if self.standing else 1.0)
        falls = fall > limit and score < -DIMMING.trend_z * sigma
        self.standing = falls and DIMMING.weather_factor * weather < fall * start
        self.numbers = [start, levels[-1], fall, days[-1] - days[0]]

    def findings(self) -> list[Finding]:
        """The active finding."""
        if not self.standing:
            return []
        start, now_lux, fall, days = self.numbers
        return [
            Finding(
                alarm="light-dimming",
                priority="low",
                value=round(now_lux),
                unit="lx",
                cause="the lamp ages, or its cover, the sensor or the water's surface has grown over",
                observations=[
                    f"from {start:.0f} to {now_lux:.0f} lx in {days:.0f} days",
                    f"a fall of {fall * 100:.0f} %",
                ],
            )
        ]
