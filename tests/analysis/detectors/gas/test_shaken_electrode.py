"""An electrode that leapt and shakes since: not one that gas shakes, nor one in water that leapt and is calm.

The figures are common practice, no source; noise is normal, drawn by Python's own `random`.
"""

from __future__ import annotations

import itertools
import math
import random
import statistics

import pytest

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.gas.shaken_electrode import ShakenElectrode, shaken
from rushlight.analysis.detectors.gas.shaken_electrode_numbers import SHAKEN
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window
from tests.analysis.detectors.gas.test_curve_limits import frames
from tests.analysis.detectors.gas.test_gas_limits import BEGAN, MINUTE, moment

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


def leapt(by: float = 0.6, shakes: float = 0.0, minutes: int = 12, seed: float = 3) -> list[float]:
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
    assert (shaken(course(*values, *level), SENSOR) is not None) is leaps


@pytest.mark.parametrize(("times", "shakes"), [(1.9, False), (2.1, True)])
def test_how_much_it_must_shake(times: float, shakes: bool) -> None:
    """Twice the noise that is usual here, by the mean square of second differences; or two steps."""
    bend = times * NOISE * math.sqrt(6)
    values = [7.0] * 10 + [6.4 + bend / 4 * (-1) ** n for n in range(12)]
    assert (shaken(course(*values), SENSOR) is not None) is shakes
    coarse = Sensor(step=NOISE, interval_ms=MINUTE, noise=0.0)
    assert (shaken(course(*values), coarse) is not None) is shakes
    # a frame of six readings is finer than each of them by the root of six
    often = Sensor(step=0.001, interval_ms=MINUTE // 6, noise=6**0.5 * NOISE)
    assert (shaken(course(*values), often) is not None) is shakes


def test_how_seldom_an_electrode_at_rest_looks_shaken() -> None:
    """Once in 140 by eight values, once in 700 by twelve; second differences have six times the variance."""
    rng = random.Random(1)
    for minutes, most in ((8, 0.01), (12, 0.003)):
        seen = [shaken(course(*leapt(minutes=minutes, seed=rng.random())), SENSOR) for _ in range(3000)]
        assert sum(one is not None for one in seen) / len(seen) < most
    values = [rng.gauss(0, 1) for _ in range(200_000)]
    bends = [(a - 2 * b + c) ** 2 for a, b, c in zip(values, values[1:], values[2:], strict=False)]
    assert statistics.fmean(bends) == pytest.approx(SHAKEN.bend_variances, rel=0.02)


def looked(electrode: ShakenElectrode, *values: float, begin: int = 0, sensor: Sensor = SENSOR) -> bool:
    block = Window(28)
    for n, value in enumerate(values):
        block.add(BEGAN + (begin + n) * MINUTE, value)
    electrode.look(block, sensor)
    return electrode.shakes


def test_it_shakes_until_it_is_back_or_a_lamp_would_be_off() -> None:
    """Back is above the middle of the leap, by the median of five; sixteen hours are the longest day."""
    electrode = ShakenElectrode()
    assert looked(electrode, *leapt(shakes=0.08))
    assert electrode.before == pytest.approx(7.0, abs=0.02) and electrode.after == pytest.approx(6.4, abs=0.1)
    level = [6.5, 6.6] * 14
    assert looked(electrode, *level, begin=60)
    assert looked(electrode, *level[:25], 6.95, 6.95, begin=120), "two of five are a spike"
    assert not looked(electrode, *level[:25], 6.95, 6.95, 6.95, begin=180)
    for minutes, shakes in ((16 * 60 - 1, True), (16 * 60, False)):
        electrode = ShakenElectrode()
        assert looked(electrode, *leapt(shakes=0.08))
        assert looked(electrode, 6.4, begin=minutes + 21) is shakes


@pytest.mark.parametrize(("times", "shakes"), [(1.4, False), (1.6, True)])
def test_one_that_is_calm_shakes_no_more(times: float, shakes: bool) -> None:
    """By twenty values whose median second difference is that of less than one and a half times its noise."""
    bend = times * NOISE / SHAKEN.sd_per_bend
    for count, seen in ((20, shakes), (19, True)):
        electrode = ShakenElectrode(since=BEGAN, before=7.0, after=6.4, noise=NOISE)
        assert looked(electrode, *(6.4 + bend / 4 * (-1) ** n for n in range(count)), begin=60) is seen
    rng = random.Random(1)
    values = [rng.gauss(0, 1) for _ in range(200_000)]
    bends = [abs(a - 2 * b + c) for a, b, c in zip(values, values[1:], values[2:], strict=False)]
    assert statistics.median(bends) * SHAKEN.sd_per_bend == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize(("hours", "shakes"), [(35, True), (37, False)])
def test_what_it_shook_like_at_rest_is_kept_for_a_day_and_a_half(hours: int, shakes: bool) -> None:
    """By then its noise has been learnt with the shaking in it."""
    electrode, learnt = ShakenElectrode(), Sensor(step=0.001, interval_ms=MINUTE, noise=0.06)
    assert looked(electrode, *leapt(shakes=0.08))
    assert not looked(electrode, *[7.0] * 28, begin=60), "back"
    assert looked(electrode, *leapt(shakes=0.08), begin=hours * 60, sensor=learnt) is shakes
    assert not looked(ShakenElectrode(), *leapt(shakes=0.08), sensor=learnt)


def test_gas_is_seen_by_a_shaken_electrode_where_it_falls_on() -> None:
    """By log10 2, twice the gas; one that doesn't shake is not asked."""
    electrode = ShakenElectrode(since=0, before=7.0, after=6.4)
    assert electrode.falls(6.09) and not electrode.falls(6.11)
    assert not ShakenElectrode(after=6.4).falls(5.0)


def test_for_how_long_after_a_step_it_is_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten minutes, asked at the end of each five."""
    seen: list[int] = []
    monkeypatch.setattr(ShakenElectrode, "look", lambda self, block, sensor: seen.append(block.times[-1]))
    detector = CarbonDioxideDetector()
    frames(detector, *[7.0] * 5)
    assert seen == []
    detector.quiet_until = moment(5).frame.start_ms
    frames(detector, *[7.0] * 30, begin=5)
    assert [(at - moment(5).frame.start_ms) // MINUTE for at in seen] == [4, 9]
