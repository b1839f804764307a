"""How fast a pH electrode drifts by its calibrations, and so when the next one is due."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from rushlight.analysis.physics.numbers import ELECTRODE
from rushlight.collector.electrode import electrode_health, nernst_slope_mv
from rushlight.collector.readings import PH_PROBE
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["Due", "Reminder", "calibration_due", "due_words", "reminder_of"]

_DAY_MS = 86_400_000
_KEPT = 4  # calibrations whose steps are looked at
_LEAST_DAYS = 3.0  # two that are closer were one: the first had not come right
_SOONEST_DAYS = 7


class Due(NamedTuple):
    """Days until the next calibration (negative: since when it is due), and the drift, pH a day (None: fewer
    than two calibrations with what they gave).
    """

    left_days: int
    drift_a_day: float | None


class Reminder(NamedTuple):
    """Of a calibration that is due: when the last one was (ms UTC), why in words, and whether Rushlight has
    its points (else it was only noted).
    """

    calibrated_ms: int
    words: str
    by_points: bool


def calibration_due(entries: Sequence[LogEntry], now_ms: int) -> Due | None:
    """By the log, oldest entry first; None where the electrode was never calibrated there.

    The electrode may drift by as much as the standard error of a calibrated one; then it is due. Monthly at
    the least, weekly at the most.
    """
    found = [
        (entry.time_ms, entry.calibration.points)
        for entry in entries
        if entry.calibration is not None and entry.calibration.quantity == PH_PROBE
    ]
    if not found:
        return None
    drifts = []
    for (before_ms, old), (after_ms, new) in pairwise(found[-_KEPT:]):
        one, two, days = (
            electrode_health(old).offset_mv,
            electrode_health(new).offset_mv,
            (after_ms - before_ms) / _DAY_MS,
        )
        if one is not None and two is not None and days >= _LEAST_DAYS:
            drifts.append(abs(two - one) / nernst_slope_mv(ELECTRODE.buffer_c) / days)
    drift = median(drifts) if drifts else None
    interval = float(ELECTRODE.keeps_days)
    if drift:
        interval = min(interval, max(_SOONEST_DAYS, ELECTRODE.calibrated_ph / drift))
    age = (now_ms - found[-1][0]) // _DAY_MS
    return Due(round(interval) - age, drift)


def due_words(entries: Sequence[LogEntry], now_ms: int) -> str:
    """A reminder where it is due by its drift or age, "" where not."""
    due = calibration_due(entries, now_ms)
    if due is None or due.left_days > 0:
        return ""
    if due.drift_a_day is None:
        return "the electrode is due: calibrate it again"
    month = due.drift_a_day * ELECTRODE.keeps_days
    return f"the electrode drifts by {month:.2f} pH a month by its calibrations: calibrate it again"


def reminder_of(entries: Sequence[LogEntry], now_ms: int) -> Reminder | None:
    """Where the electrode is due now; None where it is not, or was never calibrated by the log.

    One that was only noted as calibrated, on its own board, is due by its age alone.
    """
    noted = [entry for entry in entries if "calibrated" in entry.done or _points_of(entry)]
    if not noted:
        return None
    last = noted[-1]
    if _points_of(last):
        words = due_words(entries, now_ms)
        return Reminder(last.time_ms, words, True) if words else None
    if now_ms - last.time_ms < ELECTRODE.keeps_days * _DAY_MS:
        return None
    words = f"the electrode was last calibrated {(now_ms - last.time_ms) // _DAY_MS} days ago"
    return Reminder(last.time_ms, words, False)


def _points_of(entry: LogEntry) -> bool:
    return entry.calibration is not None and entry.calibration.quantity == PH_PROBE
