"""How long until a limit is reached, and how urgent that makes it."""

from __future__ import annotations

from rushlight.analysis.detectors.heat.numbers import HEAT
from rushlight.collector.events import Priority

__all__ = ["time_to_reach", "urgency"]


def time_to_reach(temperature: float, slope: float, limit: float) -> float | None:
    """Seconds until `limit` on a straight line; 0 when past it, None when moving away."""
    if slope == 0:
        return None
    hours = (limit - temperature) / slope
    return hours * 3600 if hours > 0 else None


def urgency(left_s: float | None) -> Priority:
    """Critical under an hour, high under a night, medium beyond; high where it can't be said."""
    if left_s is None:
        return "high"
    if left_s < HEAT.critical_h * 3600:
        return "critical"
    return "high" if left_s < HEAT.high_h * 3600 else "medium"
