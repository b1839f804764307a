"""A pH that goes to its limit, whatever makes it go: over hours, or within minutes."""

from __future__ import annotations

import math

from rushlight.analysis.detectors.gas.acid_numbers import CLIMB, LIMITS
from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.shaken_electrode import rest_noise
from rushlight.analysis.detectors.gas.slope_noise import slope_noise_ph_per_h
from rushlight.analysis.detectors.gas.step_or_fall import falls_on
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["climbs_past", "moves_by"]


def moves_by(curve: PhCurve, sensor: Sensor, ph: float, low: float, high: float) -> float:
    """By how much pH moves in the time a person needs, at its pace of two hours; 0 far from its limits.

    Half an hour's slope is too unsure for what takes hours: by the noise of a probe alone it would come and
    go. But it shows what is over, as after a step.
    """
    if low + LIMITS.near_ph < ph < high - LIMITS.near_ph:
        return 0.0  # most of the time
    hours = curve.window.slope_per_hour(LIMITS.pace_min * MINUTE_MS)
    lately = curve.window.slope_per_hour(LIMITS.pace_min // 2 * MINUTE_MS)
    now = curve.slope
    if hours is None or lately is None or now is None or hours * lately <= 0:
        return 0.0
    pace = min(hours, lately, key=abs)
    over = LIMITS.slows_share * abs(pace) - slope_noise_ph_per_h(sensor)
    return SURGE.person_h * pace if math.copysign(1, pace) * now > over else 0.0


def climbs_past(block: Window, sensor: Sensor, ph: float, high: float) -> bool:
    """Whether pH has climbed past its upper limit within minutes and climbs on, which no step does.

    Parameters
    ----------
    block : Window
        pH by the minute.
    sensor : Sensor
        What is known of the electrode's noise.
    ph, high : float
        As read, and its limit.
    """
    if ph - high <= CLIMB.past_ph:
        return False  # most of the time
    return falls_on(block.times, [-value for value in block.values], rest_noise(sensor))
