"""Water that no heater holds any more."""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.detectors.power.numbers import MAINS
from rushlight.analysis.detectors.power.sensor_limits import steps

__all__ = ["cools_unheated", "far_below"]


def far_below(moment: Moment, temperature: float, course: Sequence[float]) -> bool:
    """Whether the water is so far below what the heater holds that it should heat.

    `course` has its five-minute values, °C, the newest last.
    """
    floor, sure = moment.heat.floor, moment.heat.comes_on
    if sure is not None and temperature < sure - steps(moment, MAINS.under_sure_c):
        return True
    newest = course[-MAINS.mean_values :]
    if sure is not None and len(newest) == MAINS.mean_values:
        mean = sum(newest) / len(newest)
        if mean < sure - steps(moment, MAINS.under_mean_c):
            return True
    return floor is not None and temperature < floor - steps(moment, MAINS.under_c)


def cools_unheated(moment: Moment, under: bool, fallen: float, out_min: float) -> str | None:
    """The water falls as it does without heat, below what the heater holds."""
    slope, usual = moment.heat.slope, moment.heat.cooling_rate
    if slope is None or slope > -MAINS.falls_c_per_h or out_min < MAINS.wait_min:
        return None
    free = usual is not None and slope < MAINS.free_share * usual
    if not (free and under and fallen > steps(moment, MAINS.fallen_unmetered_c)):
        return None
    return f"the water cools {slope:+.2f} °C an hour below what the heater holds"
