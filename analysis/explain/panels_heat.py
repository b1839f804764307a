"""The panels of heat: water, room, heater."""

from __future__ import annotations

from rushlight.analysis.explain.context import GAP_MS, Context, curves_of
from rushlight.analysis.explain.curves import Band, Limit, Panel
from rushlight.analysis.replay.store import HOUR_MS
from rushlight.collector.readings import (
    HEATER_POWER,
    ROOM_TEMPERATURE,
    TEMPERATURE,
)

__all__ = ["power_panel", "room_panel", "water_panel"]


def water_panel(context: Context) -> Panel | None:
    """The water's temperature, what the heater holds, and how it would have gone with the heater off."""
    curves = curves_of("measured", "measured", context.seen(TEMPERATURE))
    if not curves:
        return None
    settings = context.watch.tank.settings
    bands = []
    limits = []
    alarm = context.alarm
    if alarm in ("heater-stuck-on", "heater-not-heating", "power-interrupted"):
        held = [
            (s.start_ms, s.beliefs["heater_holds_from_c"], s.beliefs["heater_holds_to_c"])
            for s in context.samples
            if "heater_holds_from_c" in s.beliefs and "heater_holds_to_c" in s.beliefs
        ]
        bands = [Band("what the heater holds", held)] if held else []
        curves += curves_of("with the heater off", "expected", _unheated(context))
    else:
        curves += curves_of("usual at this time of day", "expected", context.believed("temperature_usual_c"))
    if (
        alarm == "cooling-not-cooling"
        and settings.cooler is not None
        and settings.cooler.setpoint_c is not None
    ):
        limits.append(Limit("the cooler is set to", settings.cooler.setpoint_c))
    heater = settings.heater
    if alarm == "setting-doubtful" and heater is not None and heater.setpoint_c is not None:
        limits.append(Limit("the settings have", heater.setpoint_c))
    live = settings.livestock
    if alarm not in ("device-silent", "heater-not-heating", "temperature-low", "power-interrupted"):
        limits.append(Limit("the livestock's limit", live.temperature_high_c))
    if alarm in ("heater-not-heating", "temperature-low", "power-interrupted"):
        limits.append(Limit("the livestock's limit", live.temperature_low_c))
    return Panel("water temperature", "°C", 1, curves, bands, limits)


def _unheated(context: Context) -> list[tuple[int, float]]:
    """From when the water left what the heater holds: the slope that room and lamp explain, added up.

    The slope was computed at the water's own temperature; where the room is measured it is carried over to
    the curve's own by the time constant (Newton's law of cooling).
    """
    sign = -1.0 if context.alarm == "heater-stuck-on" else 1.0
    start = 0
    for index, sample in enumerate(context.samples):
        if sample.time_ms > context.decided_ms:
            break
        edge = sample.beliefs.get("heater_holds_to_c" if sign < 0 else "heater_holds_from_c")
        if TEMPERATURE in sample.seen and edge is not None and sign * (sample.seen[TEMPERATURE] - edge) >= 0:
            start = index
    points: list[tuple[int, float]] = []
    celsius = 0.0
    last_ms = 0
    last_slope = 0.0  # through a gap it goes on as it was before it
    for sample in context.samples[start:]:
        warm, slope = sample.seen.get(TEMPERATURE), sample.beliefs.get("unheated_slope_c_per_h")
        if warm is None or slope is None:
            continue
        if not points:
            celsius = warm
        else:
            if ROOM_TEMPERATURE in sample.seen:
                slope += (warm - celsius) / sample.beliefs["time_constant_h"]
            long = sample.start_ms - last_ms > GAP_MS
            celsius += (last_slope if long else slope) * (sample.start_ms - last_ms) / HOUR_MS
        last_ms, last_slope = sample.start_ms, slope
        points.append((last_ms, celsius))
    return points


def room_panel(context: Context) -> Panel | None:
    points = context.seen(ROOM_TEMPERATURE)
    return Panel("room temperature", "°C", 1, curves_of("measured", "measured", points)) if points else None


def power_panel(context: Context) -> Panel | None:
    points = context.seen(HEATER_POWER)
    return Panel("heater power", "W", 0, curves_of("measured", "measured", points)) if points else None
