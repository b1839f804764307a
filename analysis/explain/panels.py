"""Which curves explain which alarm."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable

import msgspec

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.explain.curves import Band, Curve, Limit, Panel, Role
from rushlight.analysis.physics.carbon_dioxide import LIKELY
from rushlight.analysis.replay.beliefs import Sample
from rushlight.analysis.replay.store import DAY_MS, HOUR_MS
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import (
    HEATER_POWER,
    LIGHT,
    PH,
    QUANTITIES,
    ROOM_TEMPERATURE,
    TEMPERATURE,
    Reading,
)

__all__ = ["BEFORE_H", "Context", "panels_for", "parted"]

_GAP_MS = 20 * 60_000

BEFORE_H: dict[str, float] = {
    "light-dimming": 24 * 28,
    "setting-doubtful": 72,
    "light-schedule-drift": 30,
    "light-missing": 26,
    "light-stuck-on": 26,
    "ph-out-of-range": 24,
    "co2-absent": 26,
    "temperature-high": 18,
    "temperature-low": 18,
    "probe-fault": 18,
    "power-interrupted": 8,
    "device-silent": 6,
    "stray-current-suspected": 30,
}
"""How many hours before the decision are shown; 12 where nothing else is said."""


class Context(msgspec.Struct):
    """What the panels are drawn from: the judged frames, the moment of decision, the tank as it was then."""

    alarm: str
    quantity: str
    decided_ms: int
    samples: list[Sample]
    flagged: list[Reading]
    watch: TankWatch

    def seen(self, quantity: str) -> list[tuple[int, float]]:
        """Minute means of the good readings."""
        return [(s.start_ms, s.seen[quantity]) for s in self.samples if quantity in s.seen]

    def believed(self, name: str) -> list[tuple[int, float]]:
        return [(s.start_ms, s.beliefs[name]) for s in self.samples if name in s.beliefs]

    def at_decision(self) -> Sample | None:
        """The frame that decided: the last one judged by then."""
        index = bisect_right(self.samples, self.decided_ms, key=lambda sample: sample.time_ms)
        return self.samples[index - 1] if index else None


def panels_for(context: Context) -> list[Panel]:
    """The panels of one alarm, the one that decides first; empty ones are left out."""
    makers = _PANELS.get(context.alarm) or _BY_FAMILY[rationale_for(context.alarm).family]
    if context.alarm == "setting-doubtful":
        makers = _BY_QUANTITY.get(context.quantity, makers)
    panels = [make(context) for make in makers]
    return [panel for panel in panels if panel is not None]


def parted(points: list[tuple[int, float]], gap_ms: float = _GAP_MS) -> list[list[tuple[int, float]]]:
    """Points split where readings are missing, so that no line is drawn over a gap."""
    parts: list[list[tuple[int, float]]] = []
    for point in points:
        if not parts or point[0] - parts[-1][-1][0] > gap_ms:
            parts.append([])
        parts[-1].append(point)
    return parts


_Maker = Callable[[Context], Panel | None]


def _curve(name: str, role: Role, points: list[tuple[int, float]], step: bool = False) -> list[Curve]:
    return [Curve(name, role, points, step)] if points else []


def _gas(context: Context) -> Panel | None:
    """CO2 as it was reckoned, with its error, the limit, and at an overdose what was seen coming."""
    reckoned = context.believed("co2_mg_l")
    if not reckoned:
        return None
    bands = [
        (s.start_ms, s.beliefs["co2_low_mg_l"], s.beliefs["co2_high_mg_l"])
        for s in context.samples
        if "co2_low_mg_l" in s.beliefs
    ]
    curves = _curve("reckoned from pH", "measured", reckoned)
    decided = context.at_decision()
    if decided is not None and context.alarm == "co2-overdose":
        mg_l, later = decided.beliefs.get("co2_mg_l"), decided.beliefs.get("co2_in_1_h_mg_l")
        if mg_l is not None and later is not None:
            ahead = [
                (decided.time_ms + minute * 60_000, mg_l * (later / mg_l) ** (minute / 60))
                for minute in range(0, 61, 5)
            ]
            curves += _curve("as it was going then, 1 h on", "forecast", ahead)
    limit = context.watch.tank.settings.livestock.co2_limit_mg_l
    return Panel(
        "dissolved CO2",
        "mg/L",
        0,
        curves,
        [Band(LIKELY, bands)],
        [Limit("the livestock's limit", limit)],
    )


def _ph(context: Context) -> Panel | None:
    curves = _curve("measured", "measured", context.seen(PH))
    if not curves:
        return None
    limits = []
    decided = context.at_decision()
    if context.alarm == "stray-current-suspected":
        without = [
            (s.start_ms, s.seen[PH] - s.beliefs.get("ph_stepped", 0.0))
            for s in context.samples
            if PH in s.seen
        ]
        curves += _curve("less the sudden steps", "expected", without)
    else:
        curves += _curve("usual at this time of day", "expected", context.believed("ph_usual"))
    water = context.watch.tank.settings.water
    if context.alarm == "ph-out-of-range":
        low, high = water.ph_low, water.ph_high
        limits = [Limit("limit", value) for value in (low, high) if value is not None]
    elif context.alarm == "co2-overdose" and decided is not None and "ph_usual_lowest" in decided.beliefs:
        limits = [Limit("usual lowest", decided.beliefs["ph_usual_lowest"])]
    return Panel("pH", "", 2, curves, [], limits)


def _water(context: Context) -> Panel | None:
    """The water's temperature, what the heater holds, and how it would have gone with the heater off."""
    curves = _curve("measured", "measured", context.seen(TEMPERATURE))
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
        curves += _curve("with the heater off", "expected", _unheated(context))
    else:
        curves += _curve("usual at this time of day", "expected", context.believed("temperature_usual_c"))
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

    The slope was reckoned at the water's own temperature; where the room is measured it is carried over to
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
            long = sample.start_ms - last_ms > _GAP_MS
            celsius += (last_slope if long else slope) * (sample.start_ms - last_ms) / HOUR_MS
        last_ms, last_slope = sample.start_ms, slope
        points.append((last_ms, celsius))
    return points


def _room(context: Context) -> Panel | None:
    points = context.seen(ROOM_TEMPERATURE)
    return Panel("room temperature", "°C", 1, _curve("measured", "measured", points)) if points else None


def _power(context: Context) -> Panel | None:
    points = context.seen(HEATER_POWER)
    return Panel("heater power", "W", 0, _curve("measured", "measured", points)) if points else None


def _light(context: Context) -> Panel | None:
    """Light, and what the lamp should give by its schedule."""
    curves = _curve("measured", "measured", context.seen(LIGHT))
    if not curves:
        return None
    expected = []
    for sample in context.samples:
        level, due = sample.beliefs.get("lamp_level_lx"), sample.beliefs.get("lamp_should_be_on")
        if level is not None and due is not None:
            expected.append((sample.start_ms, level * due))
    curves += _curve("the lamp by its schedule", "expected", expected, step=True)
    return Panel("light", "lx", 0, curves)


def _dimming(context: Context) -> Panel | None:
    """One value a photoperiod, as the detector keeps them, and the fall that it fitted."""
    lamp = context.watch.of(LampDetector)
    clock = context.watch.tank.clock
    noons = []
    for day in lamp.tracker.plateau_days:
        noon_ms = day * DAY_MS + DAY_MS // 2
        noons.append(noon_ms - clock.offset_ms(noon_ms))
    points = list(zip(noons, lamp.tracker.plateaus, strict=True))
    if len(points) < 2 or len(lamp.dimming.numbers) < 4:
        return None
    start, _, fall, days = lamp.dimming.numbers
    end_ms = points[-1][0]
    fitted = [(end_ms - round(days * DAY_MS), start), (end_ms, start * (1 - fall))]
    curves = _curve("the lamp's own light, one value a day", "measured", points)
    curves += _curve(f"fitted: {fall * 100:.0f} % less in {days:.0f} days", "expected", fitted)
    limit = Limit("where it was", start)
    return Panel("light of the lamp", "lx", 0, curves, [], [limit])


def _probe(context: Context) -> Panel | None:
    """One probe's readings, those that failed their checks marked, and what is usual where that is known."""
    info = QUANTITIES.get(context.quantity)
    if info is None:
        return None
    curves = _curve("good readings", "measured", context.seen(context.quantity))
    wrong = [(r.time_ms, r.value) for r in context.flagged if r.value is not None]
    curves += _curve("readings that failed a check", "flagged", wrong)
    usual = {PH: "ph_usual", TEMPERATURE: "temperature_usual_c"}.get(context.quantity)
    if usual is not None:
        curves += _curve("usual at this time of day", "expected", context.believed(usual))
    if context.quantity == LIGHT:
        light = _light(context)
        curves += [c for c in light.curves if c.role == "expected"] if light is not None else []
    if not curves:
        return None
    return Panel(info.title, info.printed_unit, min(info.decimals, 2), curves)


_PANELS: dict[str, tuple[_Maker, ...]] = {
    "co2-overdose": (_gas, _ph),
    "co2-absent": (_ph, _gas),
    "ph-out-of-range": (_ph, _gas),
    "heater-stuck-on": (_water, _power, _room),
    "heater-not-heating": (_water, _power, _room),
    "cooling-not-cooling": (_water, _room),
    "temperature-high": (_water, _room),
    "temperature-low": (_water, _room),
    "light-dimming": (_dimming,),
    "probe-fault": (_probe,),
    "device-silent": (_water, _ph, _light),
    "power-interrupted": (_water, _light, _power),
    "stray-current-suspected": (_ph, _power, _light),
}
_BY_QUANTITY: dict[str, tuple[_Maker, ...]] = {
    PH: (_ph, _gas),
    TEMPERATURE: (_water, _power),
    LIGHT: (_light,),
}
_BY_FAMILY: dict[str, tuple[_Maker, ...]] = {
    "carbon dioxide": (_ph, _gas),
    "heat": (_water, _room),
    "light": (_light,),
    "probes": (_probe,),
    "power": (_water, _light),
}
