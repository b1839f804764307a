"""What a tank has taught by itself, in one place: for the status, the page and the hints of `check`.

Read from the detectors' state, so it is what they judge by; nothing here is computed again.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import msgspec

from rushlight.analysis.detectors.doubts.detector import SettingsDoubt
from rushlight.analysis.detectors.doubts.lamp_hours import LEAST_DAYS, clock_text
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.settings import TankSettings

__all__ = ["Learnt", "learnt", "learnt_lines", "offers"]


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
    lamp_on, lamp_off : float or None
        When it begins to rise and when it is dark.
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
    lamp_on: float | None = None
    lamp_off: float | None = None
    heat_since_ms: int = -1
    ph_since_ms: int = -1
    lamp_since_ms: int = -1


def learnt(watch: TankWatch) -> Learnt:
    """What is known after three whole days that nothing spoilt; the lamp's level after one."""
    heat, curve = watch.of(TemperatureDetector), watch.of(CarbonDioxideDetector).curve
    doubt, tracker = watch.of(SettingsDoubt), watch.of(LampDetector).tracker
    lows, highs = curve.extremes.lows, curve.extremes.highs
    days = len(lows) >= LEAST_DAYS
    lamp = doubt.lamp.usual
    return Learnt(
        time_constant_h=heat.learnt.get("time_constant_h"),
        cools_c_per_h=None if (fall := heat.model.usual_fall()) is None else -fall,
        held_c=doubt.heater.held_c,
        ph_swing=median(highs) - median(lows) if days else None,
        ph_lowest=curve.usual_low if days else None,
        ph_at_rest=doubt.water.resting_ph,
        lamp_lx=tracker.level(),
        lamp_on=None if lamp is None else lamp[0],
        lamp_off=None if lamp is None else lamp[1],
        heat_since_ms=heat.extremes.start_ms,
        ph_since_ms=curve.extremes.start_ms,
        lamp_since_ms=doubt.lamp.since_ms,
    )


def learnt_lines(known: Learnt, timezone: str) -> list[str]:
    """One short line each for heat, pH and lamp; none for what is not known."""
    pace = known.cools_c_per_h if known.time_constant_h is None else None
    heat = _joined(
        ("heater holds {:.1f} °C", known.held_c),
        ("unheated it goes two thirds of the way to room temperature in {:.0f} h", known.time_constant_h),
        ("cools by {:.2f} °C an hour unheated", pace),
    )
    acid = _joined(
        ("swings {:.2f} a day", known.ph_swing),
        ("usual lowest {:.2f}", known.ph_lowest),
        ("at rest {:.2f}", known.ph_at_rest),
    )
    hours = ""
    if known.lamp_on is not None and known.lamp_off is not None:
        hours = f"on {clock_text(known.lamp_on)} to {clock_text(known.lamp_off)}"
    lamp = ", ".join(part for part in (hours, _joined(("gives {:.0f} lx", known.lamp_lx))) if part)
    return [
        f"{name} {words} (watched since {_day(since, timezone)})"
        for name, words, since in (
            ("water:", heat, known.heat_since_ms),
            ("pH", acid, known.ph_since_ms),
            ("lamp", lamp, known.lamp_since_ms),
        )
        if words
    ]


def offers(settings: TankSettings, known: Learnt) -> list[str]:
    """Settings that are missing, with what was seen instead, or what to measure."""
    out: list[str] = []
    light, water, gas = settings.light, settings.water, settings.co2
    if (light is None or light.on is None) and known.lamp_on is not None and known.lamp_off is not None:
        out.append(
            f"lamp seen on {clock_text(known.lamp_on)} to {clock_text(known.lamp_off)}: "
            "set light.on and light.off"
        )
    heater = settings.heater
    if heater is not None and heater.setpoint_c is None and known.held_c is not None:
        out.append(f"heater seen holding {known.held_c:.1f} °C: set heater.setpoint_c")
    if gas is not None and water.carbonate_hardness_dkh is None and known.ph_swing is not None:
        ask = "measure KH with a drop test and set water.carbonate_hardness_dkh"
        if water.degassed_ph is None and known.ph_at_rest is not None:
            ask += (
                f"; until then set water.degassed_ph: pH {known.ph_at_rest:.2f} was seen before CO2 comes on"
            )
        out.append(ask)
    return out


def _joined(*parts: tuple[str, float | None]) -> str:
    return ", ".join(form.format(value) for form, value in parts if value is not None)


def _day(time_ms: int, timezone: str) -> str:
    moment = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(ZoneInfo(timezone))
    return f"{moment.day} {moment:%B}"
