"""A fall that comes on top of a curve that sinks by itself, as hardness runs out."""

from __future__ import annotations

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.numbers import OVERDOSE
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["falls_afresh"]


def falls_afresh(tank: Tank, curve: PhCurve) -> bool:
    """Against a sinking curve only what falls faster than the usual day counts."""
    now = curve.residuals.values[-1] if curve.residuals.values else 0.0
    hour = curve.residuals.ago(OVERDOSE.fresh_hour_min * MINUTE_MS)
    morning = curve.residuals.ago(OVERDOSE.fresh_morning_min * MINUTE_MS)
    co2 = tank.settings.co2
    valve = co2 is None or co2.on is not None
    lately = OVERDOSE.fresh_hour_ph if valve else OVERDOSE.fresh_hour_steady_ph
    return (hour is not None and now - hour > lately) or (
        morning is not None and now - morning > OVERDOSE.fresh_morning_ph
    )
