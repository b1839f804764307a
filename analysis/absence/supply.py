"""How long cylinder or reactor will still give gas: by what is typed, by earlier fillings, by its decline."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from rushlight.analysis.absence.forecasts import FINE, LOOK, Point

__all__ = ["Decline", "decline", "lasted_days", "supply_point", "supply_shares"]

_LEAST_DAYS = 4
_STUDENT_95 = {2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57}
"""Two-sided 95 %, Student's t by degrees of freedom (any table of it)."""
_SPENT_SHARE = 0.5  # of what it gave at first, a supply is as good as gone: common practice, no source


class Decline(NamedTuple):
    """What it gives now as a share of its first day here, the change a day (ln), and days until it gives
    half: likely and at the earliest (None: no decline to be seen).
    """

    share: float
    a_day: float
    likely_days: float | None
    least_days: float | None


def supply_shares(lows: Sequence[float], highs: Sequence[float], timed: bool) -> list[float]:
    """What was given on each whole day, in any unit, from its lowest and highest pH as they were judged.

    CO2 goes as 10^-pH where hardness is the same. A valve with hours: how many times the water at rest it
    was at its highest, less one. What is never switched: its level over the days' own highest pH of all.
    """
    if timed:
        return [10 ** (high - low) - 1 for low, high in zip(lows, highs, strict=True)]
    return [10**-low for low in lows]


def decline(shares: Sequence[float]) -> Decline | None:
    """The line through the logarithms; None for fewer than four days."""
    if len(shares) < _LEAST_DAYS or min(shares) <= 0:
        return None
    y = [math.log(one) for one in shares]
    mid_x, mid_y = (len(y) - 1) / 2, sum(y) / len(y)
    spread = sum((x - mid_x) ** 2 for x in range(len(y)))
    slope = sum((x - mid_x) * (value - mid_y) for x, value in enumerate(y)) / spread
    left = sum((value - mid_y - slope * (x - mid_x)) ** 2 for x, value in enumerate(y))
    error = _STUDENT_95.get(len(y) - 2, 2.5) * math.sqrt(left / (len(y) - 2) / spread)
    fallen = slope * (len(y) - 1)
    to_go = -math.log(_SPENT_SHARE) + fallen  # of ln, until it gives half of its first day
    if slope + error >= 0:
        return Decline(math.exp(fallen), slope, None, None)
    return Decline(math.exp(fallen), slope, max(0.0, to_go / -slope), max(0.0, to_go / (error - slope)))


def lasted_days(filled: Sequence[float]) -> tuple[float, float] | None:
    """How long a filling lasts, by the fillings that were noted (days), and since when the last has run.

    `filled`: how many days ago each was, oldest first. None for fewer than two.
    """
    if len(filled) < 2:
        return None
    return median(a - b for a, b in pairwise(filled)), filled[-1]


def supply_point(
    typed_days: float | None, filled: Sequence[float], fall: Decline | None, source: str, days: float
) -> Point:
    """The supply beside the days away; the shortest of what is known counts."""
    known: list[tuple[float, str]] = []
    if typed_days is not None:
        known.append((typed_days, f"{typed_days:g} days by what you say"))
    usual = lasted_days(filled)
    if usual is not None:
        left = max(0.0, usual[0] - usual[1])
        words = f"{left:.0f} days by the log: a filling lasts about {usual[0]:.0f}, this one is "
        known.append((left, f"{words}{usual[1]:.0f} old"))
    if fall is not None and fall.least_days is not None and fall.likely_days is not None:
        words = f"it gives {fall.share * 100:.0f} % of {_LEAST_DAYS} or more days ago and falls by "
        words += f"{(1 - math.exp(fall.a_day)) * 100:.0f} % a day: half in {fall.likely_days:.0f} days"
        known.append((fall.least_days, f"{words}, {fall.least_days:.0f} at the earliest"))
    hint = "weigh it, and say --co2-days" if source == "cylinder" else "say --co2-days"
    hint += "; note each filling in the log, and this is known from the second on"
    if not known:
        seen = "" if fall is None else "no decline is seen, but "
        if source == "cylinder":
            seen += "a cylinder gives the same until it is nearly empty: "
        return Point("CO2 supply", LOOK, f"{seen}how long it lasts is not known: {hint}")
    least = min(left for left, _ in known)
    said = "; ".join(words for _, words in known)
    tail = f"you are away {days:.0f}; animals do without, plants suffer"
    return Point("CO2 supply", FINE if least > days else LOOK, f"{said}; {tail}")
