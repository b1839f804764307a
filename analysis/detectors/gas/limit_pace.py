"""The limits of pH, and a pH that goes to one, whatever makes it go: over hours, or within minutes."""

from __future__ import annotations

import math

from rushlight.analysis.detectors.gas.acid_numbers import PH_CLIMB, PH_PACE
from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.numbers import PH_RANGE
from rushlight.analysis.detectors.gas.shaken_electrode import rest_noise
from rushlight.analysis.detectors.gas.slope_noise import slope_noise_ph_per_h
from rushlight.analysis.detectors.gas.step_or_fall import falls_on
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.collector.settings import WaterSettings

__all__ = ["climbs_past", "limits", "moves_by", "poured_in"]


def moves_by(curve: PhCurve, sensor: Sensor, ph: float, low: float, high: float) -> float:
    """By how much pH moves in the time a person needs, at its pace of two hours; 0 far from its limits.

    Half an hour's slope is too unsure for what takes hours: by the noise of a probe alone it would come and
    go. But it shows what is over, as after a step.
    """
    if low + PH_PACE.near_ph < ph < high - PH_PACE.near_ph:
        return 0.0  # most of the time
    hours = curve.window.slope_per_hour(PH_PACE.pace_min * MINUTE_MS)
    lately = curve.window.slope_per_hour(PH_PACE.pace_min // 2 * MINUTE_MS)
    now = curve.slope
    if hours is None or lately is None or now is None or hours * lately <= 0:
        return 0.0
    pace = min(hours, lately, key=abs)
    over = PH_PACE.slows_share * abs(pace) - slope_noise_ph_per_h(sensor)
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
    if ph - high <= PH_CLIMB.past_ph:
        return False  # most of the time
    return falls_on(block.times, [-value for value in block.values], rest_noise(sensor))


def limits(water: WaterSettings) -> tuple[float, float]:
    """Lowest and highest pH; where the settings give none, not below what the water is without gas."""
    low = PH_RANGE.lowest_ph if water.ph_low is None else water.ph_low
    high = water.ph_high
    if high is None:
        high = PH_RANGE.highest_ph
        if water.degassed_ph is not None:
            high = max(high, water.degassed_ph + PH_RANGE.gone_above_ph)
    return low, high


def poured_in(tank: Tank, moment: Moment) -> bool:
    """Whether water may have been poured in: it warms or cools as neither heater nor room can do it."""
    slope = moment.heat.slope
    if slope is None:  # a leap or a gap in the last half-hour, or there is no thermometer
        return moment.frame.temperature is not None
    usual = abs(moment.heat.cooling_rate or PH_RANGE.cooling_c_per_h)
    cooled = slope < -PH_RANGE.poured_times * usual - PH_RANGE.poured_c_per_h
    return cooled or slope > PH_RANGE.poured_warm_times * tank.heating_rate_c_per_h
