"""Stuck: one value for longer than a live probe of its step would give it."""

from __future__ import annotations

import math

from rushlight.analysis.detectors.frames import SeriesFrame
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.analysis.detectors.probes.numbers import STILL
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.collector.readings import LIGHT, PH, TEMPERATURE

__all__ = ["limit_min", "new_limit_min", "note"]


def note(moment: Moment, name: str, series: SeriesFrame, health: SeriesHealth, sensor: Sensor) -> None:
    """Set or take back the fault, and remember the day's longest rest."""
    start_min = STILL.start_min(name)
    if start_min is None or series.flat_since < 0:
        return
    now_ms = moment.frame.start_ms
    _follow(moment, name, series, health, sensor)
    health.seen_ms, health.rest_value = now_ms, series.last
    minutes = _minutes(name, series.last, now_ms - health.rest_from_ms)
    # no limit is shorter than that; most frames are spared the limit itself
    if minutes > STILL.floor_min(name):
        limit = limit_min(name, series.last, sensor.step, health)
        if minutes > limit:
            if health.fault != "flat":
                health.since_ms = now_ms
            health.fault, health.rest_limit_min = "flat", limit
            return
    if health.fault != "flat":
        if moment.day != health.rests.day:
            health.rests.note(moment.day, minutes, ended=False)
    elif minutes < STILL.moves_min:
        health.fault = ""


def _follow(moment: Moment, name: str, series: SeriesFrame, health: SeriesHealth, sensor: Sensor) -> None:
    """Since when it rests; a rest that has ended is learnt from."""
    now_ms = moment.frame.start_ms
    elapsed_ms = now_ms - health.seen_ms
    in_time = 0 <= elapsed_ms <= STILL.gap_ms or 0 <= elapsed_ms <= STILL.gap_intervals * sensor.interval_ms
    if not in_time and health.seen_ms >= 0:
        health.rest_from_ms = max(now_ms, series.flat_since)  # who knows what was between
    elif health.rest_from_ms < 0:
        health.rest_from_ms = series.flat_since
    elif series.flat_since > health.rest_from_ms:
        rested = _minutes(name, health.rest_value, series.flat_since - health.rest_from_ms)
        health.rest_from_ms = series.flat_since
        moved = abs(series.last - health.rest_value)
        # what was frozen has the water's way to make up, what was at rest moves by one step
        if health.fault != "flat" or moved <= STILL.thaws_steps * sensor.step:
            value = health.rest_value if name == TEMPERATURE else None
            health.rests.note(moment.day, rested, ended=True, value=value)


def _minutes(name: str, value: float, span_ms: int) -> float:
    if name == LIGHT and value < STILL.dark_lx:
        return 0.0  # dark is dark
    if name == TEMPERATURE and abs(value) < STILL.ice_c:
        return 0.0  # freezing water holds its temperature
    return span_ms / MINUTE_MS


def _multiple(value: float, step: float) -> bool:
    steps = value / step
    return math.isfinite(steps) and abs(steps - round(steps)) < STILL.grid_steps


def limit_min(name: str, value: float, step: float, health: SeriesHealth) -> float:
    """Minutes at `value` that no live probe of this step stays: by its own rests, once known.

    Where the water was so warm or cold on too few of those days its heater does not move it as it did then,
    or not at all: there a new thermometer's limit holds, if that is longer.
    """
    if not health.rests.known():
        return new_limit_min(name, value, step)
    own = max(STILL.floor_min(name), health.rests.limit_min())
    if name == TEMPERATURE and not health.rests.known_at(value, step):
        return max(own, new_limit_min(name, value, step))
    return own


def new_limit_min(name: str, value: float, step: float) -> float:
    """The same for a new probe: the limit of a fine one, and longer where its own step is coarser.

    Temperature that a heater holds wanders: from one step to the next it takes as the square of it, as any
    random walk: held to a fifth of a degree it may stay within one step of half a degree for weeks. pH has a
    course through each day, and takes in proportion.
    """
    start_min = STILL.start_min(name) or 0.0
    fine = STILL.fine(name)
    if fine is None:
        return start_min
    if not step:  # it has not moved yet: it may be as coarse as its value looks
        coarse = STILL.coarse(name)
        step = next((one for one in (coarse, coarse / 2) if _multiple(value, one)), 0.0)
    times = max(1.0, min(step, STILL.coarse(name)) / fine)
    return start_min * (times if name == PH else times * times)
