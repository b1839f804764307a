"""Readings of a day summed up by spans."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from rushlight.collector.readings import Flag
from rushlight.collector.store.columns import Columns
from rushlight.collector.store.records import Summary

__all__ = ["summaries_of", "until"]


def until(columns: Columns, end_ms: int) -> Columns:
    """The part before `end_ms`; columns are by time."""
    import numpy as np

    count = int(np.searchsorted(columns.time_ms, end_ms))
    return Columns._make(column[:count] for column in columns)


def summaries_of(columns: Columns, step_ms: int) -> Iterator[Summary]:
    """Count, lowest, mean and highest of the good readings in each span of `step_ms`; columns are by time."""
    import numpy as np

    starts = columns.time_ms // step_ms * step_ms
    good = np.isfinite(columns.value) & (columns.flag != Flag.FAIL) & (columns.flag != Flag.MISSING)
    edges = [*np.flatnonzero(np.diff(starts, prepend=starts[0] - 1)).tolist(), len(starts)]
    for first, last in pairwise(edges):
        values: Any = columns.value[first:last][good[first:last]]
        start = int(starts[first])
        if len(values):
            with np.errstate(over="ignore"):  # absurd values must not stop the packing
                mean = float(values.mean())
            yield Summary(start, len(values), float(values.min()), mean, float(values.max()))
        else:
            yield Summary(start, 0, None, None, None)
