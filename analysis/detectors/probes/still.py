"""Stuck: one value for longer than this probe ever gave it."""

from __future__ import annotations

from rushlight.analysis.detectors.frames import SeriesFrame
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.analysis.detectors.probes.numbers import STILL
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.collector.readings import LIGHT, TEMPERATURE

__all__ = ["note"]


def note(moment: Moment, name: str, series: SeriesFrame, health: SeriesHealth) -> None:
    """Set or take back the fault, and remember the day's longest stillness."""
    start_min = STILL.start_min(name)
    if start_min is None or series.flat_since < 0:
        return
    now_ms = moment.frame.start_ms
    minutes = (now_ms - series.flat_since) / MINUTE_MS
    if name == LIGHT and series.last < STILL.dark_lx:
        minutes = 0.0  # dark is dark
    elif name == TEMPERATURE and abs(series.last) < STILL.ice_c:
        minutes = 0.0  # freezing water holds its temperature
    if moment.day != health.flat_day:
        if health.flat_day >= 0 and health.fault != "flat":
            health.longest_flat_min.append(health.flat_today)
            del health.longest_flat_min[: -STILL.days_kept]
        health.flat_day, health.flat_today = moment.day, 0.0
    floor_min = STILL.floor_min(name)
    if minutes <= floor_min and health.fault != "flat":  # below every limit
        health.flat_today = max(health.flat_today, minutes)
        return
    if minutes > _limit_min(start_min, floor_min, health.longest_flat_min):
        if health.fault != "flat":
            health.since_ms = now_ms
        health.fault = "flat"
    else:
        health.flat_today = max(health.flat_today, minutes)
        if health.fault == "flat" and minutes < STILL.moves_min:
            health.fault = ""


def _limit_min(start_min: float, floor_min: float, days: list[float]) -> float:
    """This probe's own longest stillness, several times over."""
    if len(days) < STILL.days_known:
        return start_min
    longest = max(days)
    own = max(floor_min, STILL.own_times * longest)
    return min(own, max(STILL.most_start_times * start_min, STILL.most_own_times * longest))
