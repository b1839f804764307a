"""QARTOD's tests over a grid of thresholds, by `ioos_qc`."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np

from bench.rivers.matches import Count, Series, count, events_of, points
from rushlight.collector.readings import PH, TEMPERATURE

# No test is a choice too (None). Steps in the quantity's unit per report of 15 minutes.
GRID: dict[str, dict[str, list[Any]]] = {
    TEMPERATURE: {
        "range": [None, (-1, 30), (0, 25)],
        "spike": [None, 0.2, 0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0],
        "rate": [None, 0.3, 0.5, 0.6, 0.75, 1.0, 1.25, 1.5, 2.0, 3.0],
        "flat": [None, *((h, t) for h in (2, 6, 12, 24) for t in (0.001, 0.011, 0.05))],
    },
    PH: {
        "range": [None, (6, 9.5), (7, 9), (7.5, 9), (8, 9)],
        "spike": [None, 0.02, 0.025, 0.03, 0.04, 0.05, 0.075, 0.1, 0.15, 0.2, 0.3, 0.5],
        "rate": [None, 0.025, 0.035, 0.045, 0.055, 0.065, 0.07, 0.075, 0.085, 0.1, 0.15, 0.2, 0.3],
        "flat": [None, *((h, t) for h in (1, 3, 6, 12, 24) for t in (0.001, 0.0101))],
    },
}


def qartod_flags(quantity: str, series: Series) -> dict[tuple[str, Any], Any]:
    """Which points each single test of the grid flags, by `ioos_qc.qartod`."""
    from ioos_qc import qartod

    stamps = series.times.astype("datetime64[s]")
    values = np.ma.masked_invalid(series.values)

    def test(name: str, choice: Any) -> Any:
        if choice is None:
            return np.full(len(values), 1)
        if name == "range":
            return qartod.gross_range_test(values, choice)
        if name == "spike":
            return qartod.spike_test(values, suspect_threshold=choice, fail_threshold=2 * choice)
        if name == "rate":
            return qartod.rate_of_change_test(values, stamps, choice / 900)
        hours, tolerance = choice
        return qartod.flat_line_test(values, stamps, hours * 3600, 2 * hours * 3600, tolerance)

    return {
        (name, choice): np.isin(np.ma.filled(test(name, choice), 9), (3, 4, 9))
        for name, choices in GRID[quantity].items()
        for choice in choices
    }


def qartod_counts(quantity: str, series: Series) -> dict[tuple[Any, ...], Count]:
    """A count for every combination of the grid."""
    flags = qartod_flags(quantity, series)
    events = events_of(series)
    names = list(GRID[quantity])
    known: dict[bytes, Count] = {}
    out = {}
    for choice in itertools.product(*GRID[quantity].values()):
        flagged = np.any([flags[pair] for pair in zip(names, choice, strict=True)], axis=0)
        key = flagged.tobytes()
        if key not in known:
            known[key] = count(events, points(series.times, flagged))
        out[choice] = known[key]
    return out
