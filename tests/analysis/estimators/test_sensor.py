"""A series' step, interval and noise, against series made by known ones (numpy's generator)."""

from __future__ import annotations

import math
import statistics

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.estimators.numbers import SENSOR
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS

START_MS = 1_780_000_000_000


def fed(values: object, every_ms: int = MINUTE_MS, readings: int = 1) -> Sensor:
    sensor = Sensor()
    for index, value in enumerate(values):  # type: ignore[call-overload]
        sensor.add(float(value), START_MS + index * every_ms, readings)
    return sensor


def tank(step: float, noise: float, count: int, seed: int = 3) -> np.ndarray:
    """A day's swing of one unit, white noise, rounded to the step."""
    rng = np.random.default_rng(seed)
    course = 24.0 + 0.5 * np.sin(np.arange(count) * 2 * math.pi / 1440)
    values = course + noise * rng.standard_normal(count)
    return np.round(values / step) * step if step else values


@pytest.mark.parametrize("step", [0.5, 0.1, 0.0625, 0.01, 0.001])
@pytest.mark.parametrize("every_min", [1, 5])
def test_finds_the_step(step: float, every_min: int) -> None:
    values = tank(step, step / 4, 1440)[::every_min]
    assert fed(values, every_min * MINUTE_MS).step == pytest.approx(step, rel=1e-3)


def test_rounding_of_single_precision_is_no_step() -> None:
    values = tank(0.1, 0.03, 1440).astype(np.float32).astype(float)
    flicker = [value + (index % 2) * 2e-6 for index, value in enumerate(values)]
    assert fed(flicker).step == pytest.approx(0.1, rel=1e-3)


def test_one_odd_difference_is_no_step() -> None:
    values = [6.8, 6.9, 6.8, 6.9, 6.8, 6.803, 6.9, 6.8, 6.9]
    assert fed(values).step == pytest.approx(0.1, rel=0.04)
    assert fed([*values, 6.897, 6.9, 6.903, 6.9]).step == pytest.approx(0.003, rel=0.04)


def test_a_coarser_probe_is_noticed_within_two_days() -> None:
    values = [*tank(0.01, 0.01, 1440), *tank(0.5, 0.3, 3 * 1440)]
    assert fed(values[:1440]).step == pytest.approx(0.01, rel=0.01)
    assert fed(values).step == pytest.approx(0.5, rel=0.01)


def test_what_has_not_moved_has_no_step_and_what_moved_once_has_a_bound() -> None:
    assert fed([24.5] * 500).step == 0.0
    assert fed([24.5] * 500 + [25.0] * 10).step == 0.5


@pytest.mark.parametrize("step, noise", [(0.01, 0.05), (0.0, 0.05), (0.1, 0.1)])
def test_finds_the_noise(step: float, noise: float) -> None:
    true = math.hypot(noise, step / math.sqrt(12))
    assert fed(tank(step, noise, 1440)).noise == pytest.approx(true, rel=0.2)


def test_noise_at_rest_is_the_steps_own() -> None:
    sensor = fed([24.5] * 300 + [25.0] * 600)
    assert sensor.noise == pytest.approx(0.5 / math.sqrt(12), rel=1e-3)


def test_one_jump_is_not_the_noise() -> None:
    calm = tank(0.01, 0.02, 600)
    before, after = fed(calm[:400]), fed([*calm[:400], *(calm[400:420] + 5.0)])
    assert after.noise < 1.3 * before.noise
    assert fed([*calm[:400], *tank(0.01, 0.2, 400)]).noise > 5 * before.noise


@given(st.sampled_from([10, 30, 60, 300, 900]), st.integers(0, 3))
def test_finds_the_interval_through_gaps(every_s: int, gaps: int) -> None:
    readings = max(1, 60 // every_s)
    sensor, time_ms = Sensor(), START_MS
    for index in range(12):
        time_ms += max(60, every_s) * 1000 + (DAY_MS if index < gaps else 0)
        sensor.add(24.0 + index % 2, time_ms, readings)
    assert sensor.interval_ms == every_s * 1000


@given(
    st.lists(
        st.tuples(st.sampled_from([10, 30, 60, 120]), st.integers(1, 6), st.integers(1, 15)),
        min_size=1,
        max_size=8,
    )
)
def test_the_interval_is_the_median_of_the_last_spans_after_any_change(
    rows: list[tuple[int, int, int]],
) -> None:
    """Against `statistics.median`; runs of frames alike, each followed by others or by a report less."""
    sensor, at_ms, spans = Sensor(), START_MS, []
    sensor.add(24.0, at_ms, 1)
    for every_s, readings, frames in rows:
        for _ in range(frames):
            at_ms += every_s * 1000 * readings
            spans.append(every_s * 1000)
            sensor.add(24.0, at_ms, readings)
            kept = spans[-SENSOR.spans_kept :]
            assert sensor.interval_ms == int(statistics.median(kept))


@pytest.mark.parametrize(("gap_min", "neighbours"), [(1, True), (4, False)])
def test_values_across_a_gap_in_steady_reports_are_no_neighbours(gap_min: int, neighbours: bool) -> None:
    sensor = fed([24.0] * 30)
    sensor.add(24.5, START_MS + (29 + gap_min) * MINUTE_MS, 1)
    assert (sensor.step > 0.0) is (sensor.swing > 0.0) is neighbours


@given(
    st.lists(
        st.tuples(
            st.floats() | st.sampled_from([1e308, -1e308, 24.0, 24.5]),
            st.integers(-DAY_MS, 40 * DAY_MS),
            st.integers(1, 10**6),
        ),
        max_size=60,
    )
)
def test_stays_small_and_finite_whatever_comes(rows: list[tuple[float, int, int]]) -> None:
    sensor, time_ms = Sensor(), START_MS
    for value, by_ms, readings in rows:
        time_ms += by_ms
        sensor.add(value, time_ms, readings)
        assert sensor.step >= 0 and sensor.interval_ms >= 0
        assert math.isfinite(sensor.step) and math.isfinite(sensor.noise)
    blob = msgspec.msgpack.encode(sensor)
    assert len(blob) < 420
    assert msgspec.msgpack.decode(blob, type=Sensor) == sensor


@pytest.mark.parametrize(
    ("every_ms", "minutes", "readings", "within"),
    [
        (10_000, 5, 6, 0.03),
        (60_000, 5, 1, 0.03),
        (100_000, 3, 1, 0.2),
        (150_000, 2, 1, 0.25),
        (300_000, 1, 1, 0.03),
    ],
)
def test_noise_of_a_five_minute_value(every_ms: int, minutes: int, readings: int, within: float) -> None:
    """The median of the minutes' means, against numpy's normal generator."""
    noise = np.random.default_rng(5).normal(0, 0.06, (40_000, minutes, readings))
    seen = float(np.std(np.median(np.mean(noise, axis=2), axis=1)))
    assert Sensor(interval_ms=every_ms).in_five_minutes(0.06) == pytest.approx(seen, rel=within)


def test_constants_are_what_their_sources_say() -> None:
    assert pytest.approx(math.sqrt(12), rel=1e-4) == SENSOR.root_12
    assert pytest.approx(math.sqrt(6) * math.sqrt(2 / math.pi), rel=1e-4) == SENSOR.swing_per_noise
