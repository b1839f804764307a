"""How long a live series stays at one value, and when a longer stay is no longer believable.

A coarse thermometer in still water gives one value for hours; a fine one moves every minute. What is too long
follows from the rests that the series itself has shown. The longest of a day's n rests, whose lengths have an
exponential tail of scale b, is about Gumbel with mean b (ln n + γ) and standard deviation π b / √6 (Gumbel
1958). Passed once in D days by chance is then mean + b (ln D - γ).
"""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.estimators.numbers import RESTS

__all__ = ["Rests"]


class Rests(msgspec.Struct):
    """The rests of one series. O(1) a frame.

    Attributes
    ----------
    longest_min : list of float
        The longest rest of each of the last days, in minutes.
    counts : list of int
        How many rests each of them had.
    today_min, today : float, int
        The same for the present day.
    lows, highs : list of float
        The lowest and the highest value on which it has rested on each of the last days, where that is kept.
    low, high : float
        The same for the present day; low above high before there is one.
    """

    longest_min: list[float] = msgspec.field(default_factory=list)
    counts: list[int] = msgspec.field(default_factory=list)
    day: int = -1
    today_min: float = 0.0
    today: int = 0
    lows: list[float] = msgspec.field(default_factory=list)
    highs: list[float] = msgspec.field(default_factory=list)
    low: float = 1.0
    high: float = 0.0

    def note(self, day: int, minutes: float, ended: bool, value: float | None = None) -> None:
        """A live rest that has lasted so long, `ended` or going on; `day` is local, since 1970.

        One that goes on is learnt from only when it ends: a frozen probe must not raise its own limit.
        `value`: where it rested, if that is to be kept.
        """
        if not ended:
            minutes = 0.0
        if day != self.day:
            if self.day >= 0 and self.today > 0:
                self.longest_min.append(self.today_min)
                self.counts.append(self.today)
                if self.low <= self.high:
                    self.lows.append(self.low)
                    self.highs.append(self.high)
                for kept in (self.longest_min, self.counts, self.lows, self.highs):
                    del kept[: -RESTS.days_kept]
            self.day, self.today_min, self.today = day, 0.0, 0
            self.low, self.high = 1.0, 0.0
        if minutes > self.today_min:
            self.today_min = minutes
        if ended:
            self.today += 1
            if value is not None:
                first = self.low > self.high
                self.low = value if first or value < self.low else self.low
                self.high = value if first or value > self.high else self.high

    def known(self) -> bool:
        """Whether enough days have been seen to say what is too long."""
        return len(self.longest_min) >= RESTS.days_known

    def known_at(self, value: float, margin: float) -> bool:
        """Whether enough days have rested about this value, give or take so much, to say what is too long."""
        days = zip(self.lows, self.highs, strict=True)
        return sum(low - margin <= value <= high + margin for low, high in days) >= RESTS.days_known

    def limit_min(self) -> float:
        """A rest that a live series passes once in `RESTS.false_days` days; 0 before it is known."""
        if not self.known():
            return 0.0
        days = self.longest_min
        mean = sum(days) / len(days)
        rests = min(max(1.0, sum(self.counts) / len(days)), RESTS.most_rests)
        variance = sum((one - mean) ** 2 for one in days) / (len(days) - 1)
        scale = max(mean / (math.log(rests) + RESTS.euler), math.sqrt(variance) / RESTS.gumbel_sd)
        reach = math.log(RESTS.false_days)
        squares = RESTS.error_level + RESTS.error_slope * reach + RESTS.error_square * reach * reach
        unsure = RESTS.sure_sds * math.sqrt(squares / len(days))
        return mean + scale * (reach - RESTS.euler + unsure)
