"""A lamp that loses light: how much, over how many days, and how much the weather may move it.

A lamp ages smoothly; the figures are common practice, no source, but the two of the normal distribution.
"""

from __future__ import annotations

import statistics

import pytest

from rushlight.analysis.detectors.lamp.dimming import LampDimming
from rushlight.analysis.detectors.lamp.numbers import DIMMING


def dims(levels: list[float], standing: bool = False) -> bool:
    judge = LampDimming(standing=standing)
    judge.judge(levels, list(range(len(levels))))
    return bool(judge.findings())


def line(share: float, days: int = 15) -> list[float]:
    """A lamp that loses that share of its light in so many photoperiods."""
    return [6000 * (1 - share * n / (days - 1)) for n in range(days)]


def test_how_much_light_a_lamp_loses() -> None:
    assert not dims(line(0.115)) and dims(line(0.125))
    assert not dims(line(0.068), standing=True) and dims(line(0.076), standing=True)


def test_over_six_photoperiods_and_the_last_three_weeks() -> None:
    assert not dims(line(0.3, 5)) and dims(line(0.3, 6))
    assert dims(line(0.0, 30) + line(0.14, 21)) and not dims([6800.0] * 2 + line(0.115, 21))
    assert dims(line(0.2, 30)) and not dims(line(0.16, 30))  # of 29 days the last 20


def test_another_lamp_is_no_dimming() -> None:
    for step, there in ((0.14, False), (0.1, True)):
        levels = [6000.0 * (1 - 0.01 * n) for n in range(5)]
        levels += [levels[-1] * (1 - step) * (1 - 0.004 * n) for n in range(1, 9)]
        assert dims(levels) is there


def test_a_lamp_ages_smoothly_and_weather_does_not() -> None:
    """Every second day darker: the middle bend is twice that, 1.65 standard deviations of a day."""
    for percent, there in ((4.2, True), (5.4, False)):
        levels = [one * (1 - percent / 100 * (n % 2)) for n, one in enumerate(line(0.3, 21))]
        assert dims(levels) is there


def test_the_figures_of_the_normal_distribution() -> None:
    normal = statistics.NormalDist()
    assert pytest.approx(normal.inv_cdf(0.99), abs=0.05) == DIMMING.trend_z
    assert pytest.approx(normal.inv_cdf(0.75) * 6**0.5, abs=0.005) == DIMMING.bend_per_sd
