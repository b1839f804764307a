"""Limits as far as the sensors can tell: never less than their own step, or than some of their reports."""

from __future__ import annotations

from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.detectors.power.numbers import MAINS
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.collector.readings import TEMPERATURE

__all__ = ["intervals_ms", "spans_ms", "steps"]


def steps(moment: Moment, celsius: float) -> float:
    """So far, but further than one of the thermometer's own steps: that alone is no event."""
    return max(celsius, MAINS.steps * moment.sensor(TEMPERATURE).step)


def spans_ms(moment: Moment, quantity: str, minutes: float, intervals: float) -> float:
    """So long, in ms, or so many of its own intervals where its reports are rarer."""
    return max(minutes * MINUTE_MS, intervals_ms(moment, quantity, intervals))


def intervals_ms(moment: Moment, quantity: str, intervals: float) -> float:
    return intervals * moment.sensor(quantity).interval_ms
