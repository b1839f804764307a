"""What the gas family judged by, as plain numbers."""

from __future__ import annotations

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.judged import Judged
from rushlight.analysis.detectors.gas.numbers import CURVE
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["beliefs"]


def beliefs(
    moment: Moment, curve: PhCurve, judged: Judged | None, kh: float | None
) -> dict[str, float | None]:
    """The usual pH, and while it is fresh the estimate that was `judged` by; `kh` in dKH, if known."""
    out: dict[str, float | None] = {
        "ph_usual": curve.profile.at(moment.minute),
        "ph_usual_lowest": curve.usual_low,
    }
    fresh_ms = CURVE.block_values * MINUTE_MS
    if moment.frame.ph is None or judged is None or moment.frame.time_ms - judged.time_ms >= fresh_ms:
        return out
    out |= {
        "ph_slope_per_h": judged.slope,
        "co2_mg_l": judged.gas.mg_l,
        "co2_low_mg_l": judged.gas.low,
        "co2_high_mg_l": judged.gas.high,
        "ph_error": curve.ph_error,
        "co2_over_now_probability": judged.over_now,
        "co2_over_soon_probability": judged.over_soon,
    }
    if kh is not None:
        out["kh_dkh"] = kh
    if judged.slope is not None:
        # CO2 goes as 10^-pH, and the judgement looks an hour ahead along the slope
        out["co2_in_1_h_mg_l"] = judged.gas.mg_l * 10 ** -max(judged.slope, -CURVE.steepest_ph_per_h)
    return out
