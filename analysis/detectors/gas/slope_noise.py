"""How much of a slope of pH an electrode that jumps by nature may make by itself."""

from __future__ import annotations

import math

from rushlight.analysis.detectors.gas.numbers import CURVE
from rushlight.analysis.detectors.gas.slope_noise_numbers import SLOPE_NOISE
from rushlight.analysis.estimators.numbers import JITTER
from rushlight.analysis.estimators.sensor import Sensor

__all__ = ["slope_noise_ph_per_h"]


def slope_noise_ph_per_h(sensor: Sensor) -> float:
    """That slope, of the five-minute values that a steady fall is of, pH an hour; 0 of a calm electrode.

    The least-squares slope of n values a span h apart has the standard error s / (h √Σ(i - mean)²). What any
    electrode jumps, and half of its own step, the limits of falls allow for already.
    """
    calm = max(JITTER.floor_ph, SLOPE_NOISE.steps * sensor.step)
    if sensor.noise <= calm:
        return 0.0
    jumps = sensor.in_five_minutes(math.sqrt(sensor.noise * sensor.noise - calm * calm))
    n, apart_h = CURVE.steady_values, SLOPE_NOISE.apart_min / 60
    spread = math.sqrt(sum((i - (n - 1) / 2) ** 2 for i in range(n)))
    return SLOPE_NOISE.errors * jumps / (apart_h * spread)
