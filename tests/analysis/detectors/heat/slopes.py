"""A course of which nothing is known but how fast it went."""

from __future__ import annotations

from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window


class Slopes(Window):
    """°C/h over the last quarter of an hour and the last hour, None where it can't be said."""

    quarter: float | None = None
    hour: float | None = None

    def slope_per_hour(self, span_ms: int) -> float | None:
        return {15 * MINUTE_MS: self.quarter, 60 * MINUTE_MS: self.hour}[span_ms]
