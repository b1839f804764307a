"""Is a reading steady? By the readings' own times; no clock is asked."""

from __future__ import annotations

from collections.abc import Iterable

from rushlight.analysis.calibration.numbers import CALIBRATING
from rushlight.collector.readings import LIGHT, PH_PROBE, Reading

__all__ = ["Steady"]


class Steady:
    """Takes one probe's readings until they stand still.

    Parameters
    ----------
    quantity : str
        `ph_probe` (mV), `temperature` (°C) or `light` (lx).
    """

    def __init__(self, quantity: str) -> None:
        self._quantity = quantity
        self._kept: list[tuple[int, float]] = []

    def take(self, reading: Reading) -> float | None:
        """One more; the mean of the last half of the stretch where it is steady."""
        if reading.value is None:
            self._kept.clear()
            return None
        self._kept.append((reading.time_ms, reading.value))
        start_ms = reading.time_ms - CALIBRATING.settle_s * 1000
        whole = self._kept[0][0] <= start_ms
        inside = sum(at >= start_ms for at, _ in self._kept)
        self._kept = self._kept[-max(inside, CALIBRATING.readings) :]  # seldom reports: a longer stretch
        if not whole or len(self._kept) < CALIBRATING.readings:
            return None
        half = len(self._kept) // 2
        first, second = (_mean(v for _, v in part) for part in (self._kept[:half], self._kept[half:]))
        if abs(first - second) > self._drift(second):
            return None
        return second

    def _drift(self, level: float) -> float:
        if self._quantity == PH_PROBE:
            return CALIBRATING.drift_mv
        return CALIBRATING.drift_light * abs(level) if self._quantity == LIGHT else CALIBRATING.drift_c


def _mean(values: Iterable[float]) -> float:
    known = list(values)
    return sum(known) / len(known)
