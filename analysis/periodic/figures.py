"""Figures of a span of frames: how steady, how long lit, and curves thinned for drawing. Pure functions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from rushlight.analysis.replay.beliefs import Sample

__all__ = [
    "Lights",
    "Lit",
    "Spread",
    "Value",
    "belief",
    "curve_points",
    "lit",
    "old_water_left",
    "seen",
    "spread",
    "spread_of",
]

Value = Callable[[Sample], float | None]


class Spread(NamedTuple):
    """The middle, and between which nine in ten values lie; `number` of frames."""

    number: int
    median: float
    low: float
    high: float


class Lit(NamedTuple):
    """Whole days, hours a day that the lamp was seen on, and its mean level then (lx)."""

    days: int
    hours: float
    lux: float


def seen(quantity: str) -> Value:
    """What was measured."""
    return lambda sample: sample.seen.get(quantity)


def belief(name: str) -> Value:
    """What was believed."""
    return lambda sample: sample.beliefs.get(name)


def spread(samples: Sequence[Sample], value: Value) -> Spread | None:
    """None where there is no value."""
    return spread_of([one for sample in samples if (one := value(sample)) is not None])


def spread_of(values: Sequence[float]) -> Spread | None:
    """Of values in any order; None where there is none."""
    known = sorted(values)
    if not known:
        return None

    def at(share: float) -> float:
        return known[min(len(known) - 1, int(share * len(known)))]

    return Spread(len(known), at(0.5), at(0.05), at(0.95))


class Lights:
    """Hours of light, a frame at a time.

    By the lamp as the analysis saw it; days with fewer than nine in ten frames are left out. A frame before
    the lamp's own level was learnt counts for none: it was on by nobody's knowledge.
    """

    def __init__(self) -> None:
        self._frames: dict[int, int] = {}
        self._on: dict[int, tuple[int, float]] = {}  # frames with the lamp on, and the sum of their lux

    def take(self, sample: Sample, day: int) -> None:
        """One frame, of this local day."""
        if "lamp_level_lx" not in sample.beliefs:
            return
        self._frames[day] = self._frames.get(day, 0) + 1
        light = sample.seen.get("light")
        if sample.beliefs.get("lamp_on") and light is not None:
            number, lux = self._on.get(day, (0, 0.0))
            self._on[day] = number + 1, lux + light

    def lit(self) -> Lit | None:
        """None where the lamp was never seen on."""
        most = max(self._frames.values(), default=0)
        whole = [day for day, number in self._frames.items() if number >= 0.9 * most]
        on = [self._on[day] for day in whole if day in self._on]
        number = sum(frames for frames, _ in on)
        if not number:
            return None
        hours = 24 * number / sum(self._frames[day] for day in whole)
        return Lit(len(whole), hours, sum(lux for _, lux in on) / number)


def lit(samples: Sequence[Sample], day_of: Callable[[int], int]) -> Lit | None:
    """Of these frames, see `Lights`."""
    lights = Lights()
    for sample in samples:
        lights.take(sample, day_of(sample.time_ms))
    return lights.lit()


def curve_points(
    samples: Sequence[Sample], value: Value, from_ms: int, to_ms: int, number: int = 400
) -> list[tuple[float, float | None]]:
    """Means of so many equal parts of the span; None where there is nothing."""
    sums, counts = [0.0] * number, [0] * number
    for sample in samples:
        one = value(sample)
        place = (sample.time_ms - from_ms) * number // (to_ms - from_ms)
        if one is not None and 0 <= place < number:
            sums[place] += one
            counts[place] += 1
    return [((i + 0.5) / number, sums[i] / counts[i] if counts[i] else None) for i in range(number)]


def old_water_left(shares: Sequence[float]) -> float:
    """Share of the old water that is left: three changes of 20 % leave 0.8³ = 51 %."""
    left = 1.0
    for share in shares:
        left *= 1 - share
    return left
