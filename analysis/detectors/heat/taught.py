"""What a tank has taught of its heat, as people are told."""

from __future__ import annotations

from rushlight.analysis.detectors.heat.cooler_memory import CoolerMemory
from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.estimators.daily import DailyExtremes
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.thermal_model import ThermalModel

__all__ = ["taught"]


def taught(
    model: ThermalModel,
    extremes: DailyExtremes,
    heater: HeaterMemory,
    cycle: HeaterCycle,
    cooler: CoolerMemory,
) -> dict[str, float]:
    """Only what is known; `TemperatureDetector.learnt` has the names."""
    out: dict[str, float] = {}
    if model.learnt:
        out["time_constant_h"] = model.time_constant_h(0.0)  # the volume counts for a guess only
        out["stretches"] = float(len(model.taus))
    if extremes.lows:
        out["held_from_c"], out["held_to_c"] = median(extremes.lows), median(extremes.highs)
        out["days"] = float(len(extremes.lows))
    comes_on = heater.holds_from(None)
    if comes_on is not None:
        out["comes_on_at_c"] = comes_on
    if cycle.top is not None:
        out["lets_go_at_c"] = median(cycle.tops)
    if cycle.heat is not None:
        out["heats_c_per_h"] = cycle.heat
    return out | {f"cooler_{name}": value for name, value in (cooler.learnt or {}).items()}
