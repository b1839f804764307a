"""A lamp that loses light over weeks: the fall of its plateaus, where it is more than weather."""

from __future__ import annotations

import itertools

import msgspec

from rushlight.analysis.estimators.robust import median, theil_sen
from rushlight.analysis.findings import Finding

__all__ = ["LampDimming"]

DIMMING_SHARE = 0.12
STEP_SHARE = 0.12  # from one day to the next: another lamp, a cleaned glass
DAYS = 21
CLEAR_OF_WEATHER = 6  # a lamp ages smoothly, to a per cent or so; common practice, no source


class LampDimming(msgspec.Struct):
    """Whether the lamp dims; `numbers` are lux at the beginning and now, the fall (a share) and its days."""

    standing: bool = False
    numbers: list[float] = msgspec.field(default_factory=list)

    def judge(self, plateaus: list[float], plateau_days: list[int]) -> None:
        """Robust slope over the last three weeks, with the Mann–Kendall count as its test.

        Sunlight through the photoperiod makes the days differ by far more than a lamp does: a fall counts
        only where it stands out from that.
        """
        levels = plateaus[-DAYS:]
        days = [float(day) for day in plateau_days[-DAYS:]]
        drops = [a - b for a, b in itertools.pairwise(levels)]
        if drops:
            largest = max(range(len(drops)), key=lambda i: abs(drops[i]))
            if abs(drops[largest]) > STEP_SHARE * levels[0]:
                levels, days = levels[largest + 1 :], days[largest + 1 :]
        n = len(levels)
        if n < 6:
            self.standing = False
            return
        slope = theil_sen(days, levels)
        start = median([v - slope * d for v, d in zip(levels, days, strict=True)]) + slope * days[0]
        fall = -slope * (days[-1] - days[0]) / start if start > 0 else 0.0
        score = sum((b > a) - (b < a) for i, a in enumerate(levels) for b in levels[i + 1 :])
        sigma = (n * (n - 1) * (2 * n + 5) / 18) ** 0.5
        # day against day: a lamp that begins to age has a kink in its course, weather has one each day
        bends = [abs(a - 2 * b + c) for a, b, c in zip(levels, levels[1:], levels[2:], strict=False)]
        weather = median(bends) / 1.65  # a standard deviation, were the days normal and independent
        limit = DIMMING_SHARE * (0.6 if self.standing else 1.0)
        self.standing = fall > limit and score < -2.3 * sigma and CLEAR_OF_WEATHER * weather < fall * start
        self.numbers = [start, levels[-1], fall, days[-1] - days[0]]

    def findings(self) -> list[Finding]:
        """What stands."""
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
