"""An electrode that leapt and shakes since: not one that gas shakes, nor one in water that leapt and is calm.

The figures are common practice, no source; noise is normal, drawn by Python's own `random`.
"""

from __future__ import annotations

import itertools
import random
import statistics

import pytest

from rushlight.analysis.detectors.gas.shaken_electrode import shaken
from rushlight.analysis.detectors.gas.shaken_electrode_numbers import SHAKEN
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window
from tests.analysis.detectors.gas.test_gas_limits import BEGAN, MINUTE

NOISE = 0.01
SENSOR = Sensor(step=0.001, interval_ms=MINUTE, noise=NOISE)


def course(*values: float, missed: int = 0) -> Window:
    """pH by the minute; so many minutes are missed at its leap, the largest fall."""
    drops = [before - after for before, after in itertools.pairwise(values)]
    leap = drops.index(max(drops))
    window = Window(28)
    for n, value in enumerate(values):
        window.add(BEGAN + (n + (missed if n > leap else 0)) * MINUTE, value)
    return window


def leapt(by: float = 0.6, shakes: float = 0.0, minutes: int = 12, seed: int = 3) -> list[float]:
    rng = random.Random(seed)
    return [
        *(7.0 + rng.gauss(0, NOISE) for _ in range(10)),
        *(7.0 - by + rng.gauss(0, max(NOISE, shakes)) for _ in range(minutes)),
    ]


def test_a_leap_and_a_shake_together() -> None:
    assert shaken(course(*leapt(shakes=0.08)), SENSOR)
    assert not shaken(course(*leapt()), SENSOR), "other water, or acid: it is calm"
    rng = random.Random(4)
    falls = [7.0 - 0.05 * n + rng.gauss(0, 0.08) for n in range(22)]
    assert not shaken(course(*falls), SENSOR), "a surge whose bubbles strike it: it falls for minutes"


def test_how_long_a_leap_may_take_and_how_long_it_must_have_shaken() -> None:
    """Two minutes: one whose reading is missed; eight values."""
    assert shaken(course(*leapt(shakes=0.08), missed=1), SENSOR)
    assert not shaken(course(*leapt(shakes=0.08), missed=2), SENSOR)
    assert shaken(course(*leapt(shakes=0.08, minutes=8)), SENSOR)
    assert not shaken(course(*leapt(shakes=0.08, minutes=7)), SENSOR)


@pytest.mark.parametrize(("first", "leaps"), [(0.45, False), (0.55, True)])
def test_how_much_of_the_fall_is_one_leap(first: float, leaps: bool) -> None:
    """Half of it; the rest comes before, in steps that are smaller."""
    level, last = [6.05, 5.95] * 5, 6.05 + first
    values = [7.0] * 8 + [(7.0 + last) / 2, last]
    assert shaken(course(*values, *level), SENSOR) is leaps


@pytest.mark.parametrize(("times", "shakes"), [(2.9, False), (3.1, True)])
def test_how_much_it_must_shake(times: float, shakes: bool) -> None:
    """Three times the noise that is usual here, by the median of second differences; or three steps."""
    bend = times * NOISE / SHAKEN.sd_per_bend
    values = [7.0] * 10 + [6.4 + bend / 4 * (-1) ** n for n in range(12)]
    assert shaken(course(*values), SENSOR) is shakes
    assert shaken(course(*values), Sensor(step=NOISE, interval_ms=MINUTE, noise=0.0)) is shakes
    # a frame of six readings is finer than each of them by the root of six
    assert (
        shaken(course(*values), Sensor(step=0.001, interval_ms=MINUTE // 6, noise=6**0.5 * NOISE)) is shakes
    )


def test_a_standard_deviation_by_second_differences() -> None:
    rng = random.Random(1)
    values = [rng.gauss(0, 1) for _ in range(200_000)]
    bends = [abs(a - 2 * b + c) for a, b, c in zip(values, values[1:], values[2:], strict=False)]
    assert statistics.median(bends) * SHAKEN.sd_per_bend == pytest.approx(1, abs=0.01)
