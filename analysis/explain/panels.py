"""Which curves explain which alarm."""

from __future__ import annotations

from collections.abc import Callable

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.explain.context import Context, curves_of
from rushlight.analysis.explain.curves import Band, Limit, Panel
from rushlight.analysis.explain.panels_heat import power_panel, room_panel, water_panel
from rushlight.analysis.physics.carbon_dioxide import LIKELY
from rushlight.analysis.replay.store import DAY_MS
from rushlight.collector.readings import (
    LIGHT,
    PH,
    QUANTITIES,
    TEMPERATURE,
)

__all__ = ["BEFORE_H", "panels_for"]


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


def panels_for(context: Context) -> list[Panel]:
    """The panels of one alarm, the one that decides first; empty ones are left out."""
    makers = _PANELS.get(context.alarm) or _BY_FAMILY[rationale_for(context.alarm).family]
    if context.alarm == "setting-doubtful":
        makers = _BY_QUANTITY.get(context.quantity, makers)
    panels = [make(context) for make in makers]
    return [panel for panel in panels if panel is not None]


_Maker = Callable[[Context], Panel | None]


def _gas(context: Context) -> Panel | None:
    """CO2 as it was estimated, with its error, the limit, and at an overdose what was seen coming."""
    estimated = context.believed("co2_mg_l")
    if not estimated:
        return None
    bands = [
        (s.start_ms, s.beliefs["co2_low_mg_l"], s.beliefs["co2_high_mg_l"])
        for s in context.samples
        if "co2_low_mg_l" in s.beliefs
    ]
    curves = curves_of("estimated from pH", "measured", estimated)
    decided = context.at_decision()
    if decided is not None and context.alarm == "co2-overdose":
        mg_l, later = decided.beliefs.get("co2_mg_l"), decided.beliefs.get("co2_in_1_h_mg_l")
        if mg_l is not None and later is not None:
            ahead = [
                (decided.time_ms + minute * 60_000, mg_l * (later / mg_l) ** (minute / 60))
                for minute in range(0, 61, 5)
            ]
            curves += curves_of("if it went on like that, for 1 h", "forecast", ahead)
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
    curves = curves_of("measured", "measured", context.seen(PH))
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
        curves += curves_of("without the sudden steps", "expected", without)
    else:
        curves += curves_of("usual at this time of day", "expected", context.believed("ph_usual"))
    water = context.watch.tank.settings.water
    if context.alarm == "ph-out-of-range":
        low, high = water.ph_low, water.ph_high
        limits = [Limit("limit", value) for value in (low, high) if value is not None]
    elif context.alarm == "co2-overdose" and decided is not None and "ph_usual_lowest" in decided.beliefs:
        limits = [Limit("usual lowest", decided.beliefs["ph_usual_lowest"])]
    return Panel("pH", "", 2, curves, [], limits)


def _light(context: Context) -> Panel | None:
    """Light, and what the lamp should give by its schedule."""
    curves = curves_of("measured", "measured", context.seen(LIGHT))
    if not curves:
        return None
    expected = []
    for sample in context.samples:
        level, due = sample.beliefs.get("lamp_level_lx"), sample.beliefs.get("lamp_should_be_on")
        if level is not None and due is not None:
            expected.append((sample.start_ms, level * due))
    curves += curves_of("the lamp by its schedule", "expected", expected, step=True)
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
    curves = curves_of("the lamp's own light, one value a day", "measured", points)
    curves += curves_of(f"fitted: {fall * 100:.0f} % less in {days:.0f} days", "expected", fitted)
    limit = Limit("where it was", start)
    return Panel("light of the lamp", "lx", 0, curves, [], [limit])


def _probe(context: Context) -> Panel | None:
    """One probe's readings, those that failed their checks marked, and what is usual where that is known."""
    info = QUANTITIES.get(context.quantity)
    if info is None:
        return None
    curves = curves_of("good readings", "measured", context.seen(context.quantity))
    wrong = [(r.time_ms, r.value) for r in context.flagged if r.value is not None]
    curves += curves_of("readings that failed a check", "flagged", wrong)
    usual = {PH: "ph_usual", TEMPERATURE: "temperature_usual_c"}.get(context.quantity)
    if usual is not None:
        curves += curves_of("usual at this time of day", "expected", context.believed(usual))
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
    "heater-stuck-on": (water_panel, power_panel, room_panel),
    "heater-not-heating": (water_panel, power_panel, room_panel),
    "cooling-not-cooling": (water_panel, room_panel),
    "temperature-high": (water_panel, room_panel),
    "temperature-low": (water_panel, room_panel),
    "light-dimming": (_dimming,),
    "probe-fault": (_probe,),
    "device-silent": (water_panel, _ph, _light),
    "power-interrupted": (water_panel, _light, power_panel),
    "stray-current-suspected": (_ph, power_panel, _light),
}
_BY_QUANTITY: dict[str, tuple[_Maker, ...]] = {
    PH: (_ph, _gas),
    TEMPERATURE: (water_panel, power_panel),
    LIGHT: (_light,),
}
_BY_FAMILY: dict[str, tuple[_Maker, ...]] = {
    "carbon dioxide": (_ph, _gas),
    "heat": (water_panel, room_panel),
    "light": (_light,),
    "probes": (_probe,),
    "power": (water_panel, _light),
}
