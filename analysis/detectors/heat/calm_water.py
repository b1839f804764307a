"""Water that is where it is held, as nearly always: of it nothing need be weighed or judged."""

from __future__ import annotations

from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.limits import TemperatureLimits
from rushlight.analysis.detectors.moment import KeptHeat, Moment, Tank
from rushlight.analysis.estimators.daily import DailyExtremes

__all__ = ["OF_HEAT", "held"]

OF_HEAT = frozenset({"heater-stuck-on", "heater-not-heating", "cooling-not-cooling", "power-interrupted"})
"""Alarms while which a tank's heat is not its usual one."""


def held(
    tank: Tank,
    moment: Moment,
    temperature: float,
    kept: KeptHeat,
    heater: HeaterMemory,
    cycle: HeaterCycle,
    extremes: DailyExtremes,
) -> bool:
    """Whether the heater holds the water (°C), which is far within its limits; a cooler has its own say."""
    active = moment.active
    if tank.settings.cooler is not None or (active and not active.isdisjoint(OF_HEAT)):
        return False
    floor, ceiling, lets_go = kept.floor, kept.ceiling, cycle.top
    if ceiling is not None and temperature > ceiling:
        return False
    if lets_go is not None and temperature > lets_go[1]:
        return False
    if floor is not None and (temperature < floor or temperature < (heater.switches_at() or floor)):
        return False
    return TemperatureLimits.far_within(tank, moment, temperature, extremes)
