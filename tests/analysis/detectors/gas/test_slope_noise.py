"""The slope that a noisy electrode makes by itself, against numpy's least squares of numpy's noise."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.slope_noise import slope_noise_ph_per_h
from rushlight.analysis.estimators.sensor import Sensor
from tests.analysis.detectors.doubts.test_doubt_limits import moment

MINUTE_MS = 60_000


@pytest.mark.parametrize(("every_ms", "readings"), [(MINUTE_MS, 1), (MINUTE_MS // 2, 2)])
def test_two_standard_errors_of_the_slope_of_seven_medians(every_ms: int, readings: int) -> None:
    """Of what it jumps beyond 0.02 pH: a calm electrode's is in the limits of falls."""
    noise = np.random.default_rng(3).normal(0, 0.06, (4000, 7, 5, readings))
    values = np.median(np.mean(noise, axis=3), axis=2)
    hours = np.arange(7) * 5 / 60
    slopes = np.polyfit(hours, values.T, 1)[0]
    beyond = math.sqrt(0.06**2 - 0.02**2) / 0.06
    said = slope_noise_ph_per_h(Sensor(noise=0.06, step=0.01, interval_ms=every_ms))
    assert said == pytest.approx(2 * beyond * float(np.std(slopes)), rel=0.05)


def test_of_a_calm_or_a_coarse_electrode_nothing_is_taken() -> None:
    assert slope_noise_ph_per_h(Sensor()) == slope_noise_ph_per_h(Sensor(noise=0.019, step=0.01)) == 0.0
    assert slope_noise_ph_per_h(Sensor(noise=0.049, step=0.1, interval_ms=MINUTE_MS)) == 0.0
    assert slope_noise_ph_per_h(Sensor(noise=0.051, step=0.1, interval_ms=MINUTE_MS)) > 0.0
    assert slope_noise_ph_per_h(Sensor(noise=0.021, step=0.01, interval_ms=MINUTE_MS)) > 0.0


@pytest.mark.parametrize(("noise", "fall"), [(0.01, 0.3), (0.055, 0.1755)])
def test_a_fall_is_what_the_electrode_can_not_have_made(noise: float, fall: float) -> None:
    """Of 0.3 pH an hour; a surge of 1.2 an hour stays one."""
    for per_h in (0.3, 1.2):
        curve = PhCurve()
        for at in range(0, 60, 5):
            about = moment(600 + at)
            about.sensors["ph"] = Sensor(noise=noise, step=0.01, interval_ms=MINUTE_MS)
            curve.add(about, 7.2 - per_h * at / 60, True)
        assert curve.fall == pytest.approx(fall + per_h - 0.3, abs=0.002)
        assert curve.slope == pytest.approx(-per_h)
