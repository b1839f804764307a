"""The words for what a tank has taught by itself, and for the settings that it offers instead."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from rushlight.analysis.detectors.lamp.schedule import hours_text
from rushlight.analysis.views.lamp_words import watched_hours
from rushlight.analysis.watch.learnt import Learnt
from rushlight.collector.settings import TankSettings

__all__ = ["learnt_lines", "offers"]


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
    hours = f"on {hours_text(known.lamp_hours)}" if known.lamp_hours else ""
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
    if known.lamp_hours and not watched_hours(light):
        keys = "light.on and light.off" if len(known.lamp_hours) == 1 else "light.periods"
        out.append(f"lamp seen on {hours_text(known.lamp_hours)}: set {keys}")
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
