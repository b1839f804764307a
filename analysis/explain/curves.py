"""What a picture of an alarm is made of: panels with curves, bands and limits."""

from __future__ import annotations

import math
from typing import Literal

import msgspec

__all__ = ["Band", "Curve", "Limit", "Panel", "Role", "round_step", "tick_text"]

Role = Literal["measured", "flagged", "expected", "forecast"]
"""Measured or estimated from it; measured but found wanting; what the model expects; what it sees coming."""


class Curve(msgspec.Struct, frozen=True):
    """Points (ms UTC, value) by time. `step`: the value holds until the next point."""

    name: str
    role: Role
    points: list[tuple[int, float]]
    step: bool = False


class Band(msgspec.Struct, frozen=True):
    """Points (ms UTC, lowest, highest) by time."""

    name: str
    points: list[tuple[int, float, float]]


class Limit(msgspec.Struct, frozen=True):
    """A level that stays."""

    name: str
    value: float


class Panel(msgspec.Struct):
    """One pair of axes. `decimals` is for the labels of the values."""

    title: str
    unit: str
    decimals: int
    curves: list[Curve]
    bands: list[Band] = []
    limits: list[Limit] = []

    def heading(self) -> str:
        """Title and unit."""
        return f"{self.title}, {self.unit}" if self.unit else self.title

    def outside(self) -> list[float]:
        """Values that failed a check and lie outside of what is shown, each once."""
        low, high = self.span()
        values = dict.fromkeys(v for curve in self.curves if curve.role == "flagged" for _, v in curve.points)
        return [value for value in values if not low <= value <= high]

    def span(self) -> tuple[float, float]:
        """Lowest and highest value to be shown, with some room; limits far off are left out.

        What is forecast, may be or failed a check is cut where it would flatten the rest.
        """
        core = self._values("measured", "expected") or self._values("flagged")
        low, high = (min(core), max(core)) if core else (0.0, 1.0)
        reach = max(high - low, _LEAST.get(self.unit, 0.2))
        for limit in self.limits:
            if low - 1.5 * reach <= limit.value <= high + 1.5 * reach:
                low, high = min(low, limit.value), max(high, limit.value)
        edges = [v for band in self.bands for _, a, b in band.points for v in (a, b)]
        edges += self._values("forecast")
        reach = max(high - low, _LEAST.get(self.unit, 0.2))
        if edges:
            low, high = min(low, max(min(edges), low - reach)), max(high, min(max(edges), high + reach))
        near = [v for v in self._values("flagged") if low - reach <= v <= high + reach]
        if near:
            low, high = min(low, *near), max(high, *near)
        spare = 0.06 * max(high - low, _LEAST.get(self.unit, 0.2))
        if high - low < _LEAST.get(self.unit, 0.2):
            spare = (_LEAST.get(self.unit, 0.2) - (high - low)) / 2
        return (max(0.0, low - spare) if low >= 0 else low - spare), high + spare

    def _values(self, *roles: Role) -> list[float]:
        return [v for curve in self.curves if curve.role in roles for _, v in curve.points]


def round_step(span: float, most: int) -> float:
    """The smallest of 1, 2, 5, 10 … (and their tenths) of which `most` reach over a span."""
    least = max(span, 1e-9) / most
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= least * (1 - 1e-9))


def tick_text(value: float, step: float) -> str:
    """A figure at an axis, with the decimals that its step needs."""
    return f"{value:.{max(0, -math.floor(math.log10(step) + 1e-9))}f}"


_LEAST = {
    "°C": 1.0,
    "°F": 1.8,
    "": 0.3,
    "mg/L": 5.0,
    "lx": 200.0,
    "W": 10.0,
    "mV": 10.0,
}  # a steady curve looks steady
