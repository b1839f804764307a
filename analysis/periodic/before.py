"""What a report's span is compared with: the spans before it, each as long, in a few figures.

Frames are taken as the replay comes by them and only what the figures need of them is kept: 0.3 MB a week.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Mapping, Sequence
from statistics import median
from typing import Final

from rushlight.analysis.periodic.figures import Lights, Lit, Spread, Value, spread_of
from rushlight.analysis.replay.beliefs import Sample

__all__ = ["Before", "beside", "longest_before_days"]

_DAY_MS = 86_400_000
_WEEK = 7
_MOST_WEEKS: Final = 4  # common practice, no source
_MOST_MONTHS: Final = 3  # common practice, no source: longer ago is another season
_LEAST_SHARE: Final = 0.5  # of a span's days; with fewer it says little of how steady it was


def longest_before_days(days: int) -> int:
    """How far back a span of so many days is compared: four of a week or less, three of longer ones."""
    return days * (_MOST_WEEKS if days <= _WEEK else _MOST_MONTHS)


class _Part:
    """One of the spans."""

    def __init__(self) -> None:
        self.values: dict[str, array[float]] = {}
        self.days: dict[str, set[int]] = {}
        self.lights = Lights()


class Before:
    """The spans before one, newest first.

    Parameters
    ----------
    series : mapping of str to callable
        What is compared, by its title.
    from_ms, days : int
        Begin (ms UTC) and length of the span that they come before.
    day_of : callable
        Number of the local day of a time (ms UTC).
    """

    def __init__(
        self, series: Mapping[str, Value], from_ms: int, days: int, day_of: Callable[[int], int]
    ) -> None:
        self._series = series
        self._from_ms, self._length_ms, self._days = from_ms, days * _DAY_MS, days
        self._day_of = day_of
        self._parts = [_Part() for _ in range(longest_before_days(days) // days)]

    @property
    def name(self) -> str:
        """What one of the spans is called."""
        return "week" if self._days == _WEEK else "month"

    def take(self, sample: Sample) -> None:
        """One frame; what is older than the oldest span is left out."""
        ago_ms = self._from_ms - 1 - sample.time_ms
        if not 0 <= ago_ms < self._length_ms * len(self._parts):
            return
        part = self._parts[ago_ms // self._length_ms]
        for title, value in self._series.items():
            one = value(sample)
            if one is not None:
                part.values.setdefault(title, array("d")).append(one)
                part.days.setdefault(title, set()).add(ago_ms // _DAY_MS)
        part.lights.take(sample, self._day_of(sample.time_ms))

    def spreads(self, title: str) -> list[Spread]:
        """Those of one series; spans with values on fewer than half of their days are left out."""
        found = (
            spread_of(part.values[title])
            for part in self._parts
            if len(part.days.get(title, ())) >= _LEAST_SHARE * self._days
        )
        return [one for one in found if one is not None]

    def lit(self) -> list[Lit]:
        """How long and how brightly lit, of the spans with so many whole days."""
        found = (part.lights.lit() for part in self._parts)
        return [one for one in found if one is not None and one.days >= _LEAST_SHARE * self._days]


def beside(values: Sequence[float], text: Callable[[str], str], decimals: int) -> str:
    """The median of the spans' figures and, where there are several, between which they lay.

    `text` puts the unit behind the number or numbers.
    """
    middle = text(f"{median(values):.{decimals}f}")
    if len(values) == 1:
        return middle
    return f"{middle} ({text(f'{min(values):.{decimals}f} to {max(values):.{decimals}f}')})"
