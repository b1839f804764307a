"""A fall that goes on, as with gas, told from a step. The figures are common practice, no source."""

from __future__ import annotations

import itertools
import random
import statistics

import pytest

from rushlight.analysis.detectors.gas.step_or_fall import falls_on
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.gas.test_surge import DAY_S, DAYS, HOUR_S, SETTINGS, readings

MINUTE = 60_000
NOISE = 0.01


def sum_of_squares(values: list[float]) -> float:
    middle = statistics.fmean(values)
    return sum((value - middle) ** 2 for value in values)


def two_levels(values: list[float], noise: float) -> float:
    """Least squares about two levels, one at a time; a value left out between them costs its variance."""
    return min(
        sum_of_squares(values[:end]) + sum_of_squares(values[after:]) + (after - end) * noise**2
        for end, after in itertools.product(range(1, len(values)), repeat=2)
        if end <= after <= end + 1
    )


def judged(values: list[float]) -> bool:
    return falls_on([n * MINUTE for n in range(len(values))], values, NOISE)


@pytest.mark.parametrize(("log_ratio", "falls"), [(0.95, False), (1.25, True)])
def test_how_sure_a_fall_must_be(log_ratio: float, falls: bool) -> None:
    """Three times likelier than a step: ln 3 = 1.1."""
    low, high = 0.0, 0.1
    for _ in range(60):  # the pace at which a straight fall of twelve minutes is so much likelier
        pace = (low + high) / 2
        line = [7.0 - pace * max(0, n - 8) for n in range(20)]
        more = two_levels(line, NOISE) / (2 * NOISE**2)
        low, high = (pace, high) if more < log_ratio else (low, pace)
    assert judged([7.0 - high * max(0, n - 8) for n in range(20)]) is falls


@pytest.mark.parametrize(("minutes", "falls"), [(0, False), (1, False), (2, True)])
def test_how_long_an_electrode_may_take_from_level_to_level(minutes: int, falls: bool) -> None:
    """A value between them says nothing: with a second it falls, and has not come to rest."""
    between = [7.0 - 0.15 * (n + 1) for n in range(minutes)]
    assert judged([*[7.0] * 10, *between, 7.0 - 0.15 * (minutes + 1)]) is falls


def test_a_rise_or_a_level_is_no_fall() -> None:
    assert not judged([7.0 + 0.02 * n for n in range(20)])
    assert not judged([7.0] * 20)
    assert not judged([7.0, 6.9, 6.8]), "too few to say"
    assert judged([7.0 - 0.02 * n for n in range(20)])


@pytest.mark.parametrize("times", [1.0, 6.0], ids=["a buffer of pH 7", "a surge"])
def test_an_electrode_in_a_buffer_near_the_tanks_ph_is_no_surge(times: float) -> None:
    """It reads no more less than four times its noise, at once; six times the gas raise it."""
    begin, rng = DAYS * DAY_S + 15 * HOUR_S, random.Random(3)
    watch = TankWatch("shelf", parse_settings(SETTINGS).tanks["shelf"])
    found = []
    for reading in readings(60, 0.3, times, begin, begin + 20 * 60):
        if reading.quantity == "ph" and reading.value is not None:
            buffered = times == 1.0 and reading.time_ms >= begin * 1000
            reading.value = round(reading.value + rng.gauss(0, 0.018) - (0.06 if buffered else 0.0), 2)
        found += [event.alarm for event in watch.feed(reading) if event.event == "raised"]
    assert found == (["co2-overdose"] if times > 1 else [])
