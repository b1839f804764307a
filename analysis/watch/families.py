"""Every family of detectors that a tank is watched by."""

from __future__ import annotations

from rushlight.analysis.detectors.doubts.detector import SettingsDoubt
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.detectors.power.mains import PowerDetector
from rushlight.analysis.detectors.probes.detector import ProbeDetector
from rushlight.analysis.detectors.registry import Family
from rushlight.analysis.detectors.stray_current.detector import StrayCurrentDetector

__all__ = ["FAMILIES"]

FAMILIES: tuple[type[Family], ...] = (
    ProbeDetector,
    LampDetector,
    StrayCurrentDetector,
    TemperatureDetector,
    PowerDetector,
    CarbonDioxideDetector,
    SettingsDoubt,
)
"""All families; the watch sorts them by what they need."""
