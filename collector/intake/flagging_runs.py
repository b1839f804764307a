"""Flags of long runs of one series' recorded readings, as a `Flagger` gives them one by one.

Imported by a replay only: the service has no long runs, and needs no numpy.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rushlight.collector.intake.flagging import Flagger
from rushlight.collector.intake.quality import SeriesQuality
from rushlight.collector.readings import Flag

__all__ = ["not_passing"]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_PASS = int(Flag.PASS)
_TOGETHER = 100  # readings that are looked at one by one where something is odd among them


def not_passing(flagger: Flagger, times_ms: Ints, values: Floats) -> dict[int, int]:
    """Flag them all, NaN where one has no value; flags of those that don't pass, by place."""
    if _all_pass(flagger.series, times_ms, values):
        if flagger.warm is not None:
            flagger.warm(float(values[-1]))
        return {}
    found: dict[int, int] = {}
    times, numbers = times_ms.tolist(), values.tolist()
    at, end = 0, len(numbers)
    while at < end:
        at += flagger.passing(times[at : at + _TOGETHER], numbers[at : at + _TOGETHER])
        if at < end:
            value = numbers[at]
            flag = flagger.flag(times[at], value if value == value else None)
            if flag != _PASS:
                found[at] = flag
            at += 1
    return found


def _all_pass(series: SeriesQuality, times_ms: Ints, values: Floats) -> bool:
    """Whether all pass as nearly all do (`SeriesQuality.passing`); then the state has moved on over them."""
    state, limits = series.state(), series.limits
    if state.pending == state.pending or state.flat != state.last:
        return False
    before = np.append(state.last, values[:-1])
    size = np.abs(values - before)
    if not (
        values.min() >= limits.suspect_low
        and values.max() <= limits.suspect_high
        and size.max() <= series.quiet
        and times_ms[0] > state.last_ms
        and np.diff(times_ms).min(initial=1) > 0
    ):
        return False
    moved = np.flatnonzero(size)
    least = float(size[moved].min(initial=math.inf))
    if least <= limits.flat_tolerance:  # which of them is the first of a flat line?
        return False
    moves_ms = np.concatenate(([state.flat_ms], times_ms[moved], times_ms[-1:]))
    if np.diff(moves_ms).max() >= limits.flat_suspect_ms:
        return False
    state.lively = _lively(state.lively, limits.step_memory, size)
    state.step = min(state.step, least)
    state.last = state.flat = float(values[-1])
    state.last_ms, state.flat_ms = int(times_ms[-1]), int(moves_ms[-2])
    series.resume(state)
    return True


def _lively(lively: float, memory: float, size: Floats) -> float:
    """How lively a series is after changes of these sizes; it forgets (`memory` < 1)."""
    largest = len(size) - 1 - int(size[::-1].argmax())
    if size[largest] > lively:  # then nothing before it matters
        lively, size = float(size[largest]), size[largest + 1 :]
    for one in size.tolist():
        lively *= memory
        if one > lively:
            lively = one
    return lively
