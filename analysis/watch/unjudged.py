"""What the settings no longer let a family judge: such an alarm ends, but nobody knows that it is over."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar, Protocol, runtime_checkable

from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.heat.heater_comes_on import heater_range
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.detectors.moment import Tank

__all__ = ["unjudged"]

_OF_HEATER = ("heater-stuck-on", "heater-not-heating")


@runtime_checkable
class _BySettings(Protocol):
    """A family that says why it can't judge one of its alarms."""

    alarms: ClassVar[frozenset[str]]

    def unjudged(self, tank: Tank, alarm: str) -> str:
        """What the settings lack, as "the settings have no …"; "" where it is judged."""
        ...


def unjudged(families: Iterable[object], tank: Tank, alarm: str) -> str:
    """Why an alarm is no longer judged by these settings; "" where it is."""
    for family in families:
        if isinstance(family, TemperatureDetector) and alarm in family.alarms:
            return _heat(family, tank, alarm)
        if isinstance(family, LampDetector) and alarm in family.alarms:
            return _lamp(family, tank)
        if isinstance(family, _BySettings) and alarm in family.alarms:
            return family.unjudged(tank, alarm)
    return ""


def _heat(family: TemperatureDetector, tank: Tank, alarm: str) -> str:
    """A heater that a meter sees is judged without its table, too."""
    if alarm == "cooling-not-cooling":
        return "" if tank.settings.cooler is not None else "the settings have no [cooler]"
    if alarm not in _OF_HEATER or tank.settings.heater is not None:
        return ""
    held = heater_range(tank, family.heater, family.extremes.highs)
    return "the settings have no [heater]" if held == (None, None) else ""


def _lamp(family: LampDetector, tank: Tank) -> str:
    """A lamp that was seen to keep hours of its own is judged by them."""
    if family.hours.schedule(tank) is not None:
        return ""
    return "the settings have no " + ("[light]" if tank.settings.light is None else "hours of the lamp")
