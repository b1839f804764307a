"""What may have happened to the water's heat, each with its likelihood.

Each hypothesis says what slope the water must have. Least squares give the slope that it has, with a standard
error from the noise of the values and one for the model itself; the difference in log-likelihood of two
hypotheses is the evidence for one against the other, in nats.
"""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.heat.likelihood_numbers import WEIGHED

__all__ = ["WORDS", "Line", "line_of", "weigh"]

WORDS = {
    "works": "the heater works as it should",
    "dead": "the heater gives no heat",
    "weak": "the heater gives too little",
    "stuck": "the heater stays on",
    "poured": "other water was poured in",
    "draught": "an open lid or a draught",
    "cooler": "the cooler has stopped",
    "other heat": "sun, pump or room",
}
"""The hypotheses, as people are told."""


class Line(msgspec.Struct, frozen=True):
    """The water's course as least squares see it.

    Attributes
    ----------
    slope, variance : float
        °C/h, and its square error from the values' noise alone.
    hours : float
        How long it is.
    noise : float
        Standard error of a value, °C.
    points : list of (hours, °C)
    """

    slope: float
    variance: float
    hours: float
    noise: float
    points: list[tuple[float, float]]


def line_of(points: list[tuple[float, float]], noise: float) -> Line | None:
    """The line through (hours, °C); None where they are too few. `noise`: the values' standard error, °C."""
    n = len(points)
    if n < WEIGHED.least_values or points[-1][0] - points[0][0] < WEIGHED.least_min / 60:
        return None
    mean_x, mean_y = sum(x for x, _ in points) / n, sum(y for _, y in points) / n
    squares = sum((x - mean_x) ** 2 for x, _ in points)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / squares
    return Line(slope, noise * noise / squares, points[-1][0] - points[0][0], noise, points)


def weigh(
    line: Line, slopes: dict[str, list[float]], bias: float, rest: float, errors: dict[str, float]
) -> dict[str, float]:
    """Log-likelihoods (nats) of hypotheses and of water poured in, up to a constant.

    Parameters
    ----------
    line : Line
        What the water did.
    slopes : dict
        What each hypothesis says that it may do, °C/h; the best of them counts.
    bias : float
        Standard error of such a slope, °C/h.
    rest : float
        How water goes on into which other water was poured, °C/h.
    errors : dict
        What is added to `bias` for single hypotheses, °C/h.
    """
    nats = {}
    for name, said in slopes.items():
        variance = line.variance + bias * bias + errors.get(name, 0.0) ** 2
        nats[name] = max(-((line.slope - slope) ** 2) / (2 * variance) for slope in said)
    steadily = -WEIGHED.poured_nats - line.hours * 60 / WEIGHED.pouring_min
    nats["poured"] = max(steadily, _at_once(line, rest))
    return nats


def _at_once(line: Line, rest: float) -> float:
    """Water poured in at once: the best single step on a course of slope `rest`, against the line itself."""
    points = [(x, y - rest * x) for x, y in line.points]
    n = len(points)
    total, squares = sum(y for _, y in points), sum(y * y for _, y in points)
    left, least = 0.0, math.inf
    for i in range(1, n):
        left += points[i - 1][1]
        least = min(least, squares - left * left / i - (total - left) ** 2 / (n - i))
    mean_x, mean_y = sum(x for x, _ in line.points) / n, sum(y for _, y in line.points) / n
    about = sum((y - mean_y - line.slope * (x - mean_x)) ** 2 for x, y in line.points)
    return min(0.0, (about - least) / (2 * line.noise * line.noise)) - WEIGHED.poured_nats
