"""What the analysis has learnt of a tank's usual day, as figures for people: level and range by time of day.

Read from the state of the detectors. The range is that of the days they have learnt from: it reaches as far
from the usual level as the lowest and highest values of single days have lain from the usual ones.
"""

from __future__ import annotations

from typing import NamedTuple

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.heat.numbers import HEAT
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.detectors.lamp.schedule import DAY_MIN, Schedule, clock_text, period_at
from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import PH, QUANTITIES, TEMPERATURE

__all__ = ["Usual", "lamp_schedule", "lamp_words", "trend_words", "usual_day", "usual_words"]

LEAST_DAYS = 3
"""Days that must be learnt before a usual range is shown. Common practice, no source."""
_STEADY = {TEMPERATURE: 0.1, PH: 0.05}  # a change an hour that nobody would call one; common practice
_LEAST_HALF = {TEMPERATURE: 0.2, PH: 0.05}  # no narrower range than probes agree within; common practice
_BINS_MIN = 30


class Usual(NamedTuple):
    """At one time of the day: lowest, usual and highest, in the quantity's unit."""

    low: float
    level: float
    high: float


def usual_day(watch: TankWatch, quantity: str) -> list[tuple[int, Usual]]:
    """By minute of the day, each half-hour; empty where it is not learnt yet."""
    points = ((minute, _at(watch, quantity, minute)) for minute in range(0, DAY_MIN, _BINS_MIN))
    return [(minute, usual) for minute, usual in points if usual is not None]


def usual_words(watch: TankWatch, quantity: str, value: float, minute: float) -> str:
    """Whether a value is usual for this time of the day; "" where nothing is known."""
    usual = _at(watch, quantity, minute)
    if usual is None:
        return ""
    decimals = QUANTITIES[quantity].decimals - (quantity == TEMPERATURE)
    span = f"{usual.low:.{decimals}f} to {usual.high:.{decimals}f}"
    if value > usual.high:
        return f"higher than usual now (usually {span})"
    if value < usual.low:
        return f"lower than usual now (usually {span})"
    return f"usual for now ({span})"


def trend_words(watch: TankWatch, quantity: str) -> str:
    """How it moves, by the slope that the detectors look at; "" where none is known."""
    slope: float | None = None
    if quantity == TEMPERATURE:
        slope = watch.of(TemperatureDetector).window.slope_per_hour(HEAT.slope_min * MINUTE_MS)
    elif quantity == PH:
        slope = watch.of(CarbonDioxideDetector).curve.slope
    if slope is None:
        return ""
    if abs(slope) < _STEADY[quantity]:
        return "steady"
    unit = QUANTITIES[quantity].printed_unit
    figure = f"{abs(slope):.{1 if quantity == TEMPERATURE else 2}f} {unit}".rstrip()
    return f"{'rising' if slope > 0 else 'falling'}, {figure} an hour"


def lamp_schedule(watch: TankWatch) -> Schedule | None:
    """The hours by which the lamp is judged; None where they are not known."""
    return watch.of(LampDetector).hours.schedule(watch.tank)


def lamp_words(watch: TankWatch, day: int, minute: float) -> str:
    """What the lamp should do now; "" where its hours are not known."""
    schedule = lamp_schedule(watch)
    if schedule is None or not any(schedule):
        return ""
    try:
        period, next_on = period_at(schedule, day, minute)
    except ValueError:
        return ""
    if minute < period.off:
        return f"lamp due to be on until {clock_text(period.off)}"
    return f"lamp due to be off until {clock_text(next_on)}"


def _at(watch: TankWatch, quantity: str, minute: float) -> Usual | None:
    profile: DailyProfile
    extremes: DailyExtremes
    if quantity == TEMPERATURE:
        heat = watch.of(TemperatureDetector)
        profile, extremes = heat.profile, heat.extremes
    elif quantity == PH:
        curve = watch.of(CarbonDioxideDetector).curve
        profile, extremes = curve.profile, curve.extremes
    else:
        return None
    level = profile.at(minute, LEAST_DAYS)
    lows, highs = extremes.lows, extremes.highs
    if level is None or not lows:
        return None
    # what is learnt of a half-hour is its mean: where the gas comes on, its ends lie far apart
    near = [at for by in (-_BINS_MIN / 2, _BINS_MIN / 2) if (at := profile.at(minute + by)) is not None]
    half = _LEAST_HALF[quantity]
    below = max(half, median(lows) - min(lows))
    above = max(half, max(highs) - median(highs))
    return Usual(min(level, *near) - below, level, max(level, *near) + above)
