"""What a tank has taught by itself, in one place; `rushlight.analysis.views.learnt_text` has its words.

Read from the detectors' state, so it is what they judge by; nothing here is computed again.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.doubts.detector import SettingsDoubt
from rushlight.analysis.detectors.doubts.numbers import DOUBT
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.watch.tank_watch import TankWatch

__all__ = ["Learnt", "learnt"]


class Learnt(msgspec.Struct, frozen=True, kw_only=True):
    """None where it is not known yet; times of day are minutes after local midnight.

    Attributes
    ----------
    time_constant_h : float or None
        How fast the water goes towards the room, from stretches of free cooling with the room measured.
    cools_c_per_h : float or None
        How fast it cools with the heater off, °C an hour; all that can be known where no room is measured.
    held_c : float or None
        What the heater holds, °C.
    ph_swing, ph_lowest, ph_at_rest : float or None
        Usual difference between a day's highest and lowest pH, the usual lowest, and the pH at the end of
        nights without CO2.
    lamp_lx : float or None
        The lamp's own level, without the sun.
    lamp_hours : tuple of (on, off)
        When it begins to rise and when it is dark, each period of a day.
    heat_since_ms, ph_since_ms, lamp_since_ms : int
        Since when (ms UTC) it has been watched, -1 where it hasn't.
    """

    time_constant_h: float | None = None
    cools_c_per_h: float | None = None
    held_c: float | None = None
    ph_swing: float | None = None
    ph_lowest: float | None = None
    ph_at_rest: float | None = None
    lamp_lx: float | None = None
    lamp_hours: tuple[tuple[float, float], ...] = ()
    heat_since_ms: int = -1
    ph_since_ms: int = -1
    lamp_since_ms: int = -1


def learnt(watch: TankWatch) -> Learnt:
    """What is known after three whole days that nothing spoilt; the lamp's level after one."""
    heat, curve = watch.of(TemperatureDetector), watch.of(CarbonDioxideDetector).curve
    doubt, tracker = watch.of(SettingsDoubt), watch.of(LampDetector).tracker
    light = watch.tank.settings.light
    lows, highs = curve.extremes.lows, curve.extremes.highs
    days = len(lows) >= DOUBT.least_days
    return Learnt(
        time_constant_h=heat.learnt.get("time_constant_h"),
        cools_c_per_h=None if (fall := heat.model.usual_fall()) is None else -fall,
        held_c=doubt.heater.held_c,
        ph_swing=median(highs) - median(lows) if days else None,
        ph_lowest=curve.usual_low if days else None,
        ph_at_rest=doubt.water.resting_ph,
        lamp_lx=tracker.level(),
        lamp_hours=doubt.lamp.usual(light is None or light.weekend is None),
        heat_since_ms=heat.extremes.start_ms,
        ph_since_ms=curve.extremes.start_ms,
        lamp_since_ms=doubt.lamp.since_ms,
    )
