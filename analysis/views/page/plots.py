"""The figures of a tank's pictures: reduced here, so that a year costs a browser no more than a day.

Each step keeps its lowest and highest value: what stuck out for ten seconds sticks out in the picture, too.
A day and a week are by the calibrations that are known now; of a month or more the summaries that the store
keeps are taken, as they were stored. CO2 is what was judged at the time; before
there is any of that, as after an upgrade, what the detector makes of the pH of then with the water of now.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.lamp.schedule import DAY_MIN, is_weekend
from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.views.page.curve_readings import CurveReadings
from rushlight.analysis.views.usual_day import lamp_schedule, usual_day
from rushlight.analysis.watch.judged_gas import SLOT_MS, GasRange, judged_days, judged_gas
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import LIGHT, PH, QUANTITIES, TEMPERATURE
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.units import Display, fahrenheit, shown

__all__ = ["SPANS", "Span", "plot_of"]

_MINUTE_MS = 60_000
_DAY_MS = 86_400_000
_MOST_MARKS = 200


class Span(NamedTuple):
    """How long a picture is, the step that it is reduced to (both ms), and where from."""

    length_ms: int
    step_ms: int
    source: str


SPANS: dict[str, Span] = {
    "day": Span(_DAY_MS, 2 * _MINUTE_MS, "readings"),
    "week": Span(7 * _DAY_MS, 15 * _MINUTE_MS, "readings"),
    "month": Span(31 * _DAY_MS, 60 * _MINUTE_MS, "hourly"),
    "year": Span(366 * _DAY_MS, _DAY_MS, "daily"),
}

_Points = dict[int, tuple[float, float]]


def plot_of(
    store: EmbeddedStore,
    watch: TankWatch,
    tank: TankSettings,
    span_name: str,
    end_ms: int,
    events: list[Event],
    units: Display = "metric",
) -> dict[str, Any]:
    """What the browser draws; times are whole seconds since 1970, UTC.

    Parameters
    ----------
    events : list of Event
        Of this tank, in any order; those within the span are marked.
    units : Display
        What whoever looks at it is shown.
    """
    span = SPANS[span_name]
    start_ms = (end_ms - span.length_ms) // span.step_ms * span.step_ms
    name, zone = watch.tank.name, ZoneInfo(tank.timezone)
    readings = CurveReadings(store, name, tank)
    series = {one: _series(readings, one, start_ms, end_ms, span) for one in (TEMPERATURE, PH, LIGHT)}
    daily = span.step_ms < _DAY_MS
    gas = _judged(store, name, start_ms, end_ms, max(SLOT_MS, span.step_ms))
    if daily:
        gas = _made_of_ph(watch, series[PH], series[TEMPERATURE], min(gas, default=end_ms)) | gas
    water = tank.water
    live = tank.livestock
    panels = [
        _panel(
            TEMPERATURE,
            series[TEMPERATURE],
            limits=[live.temperature_low_c, live.temperature_high_c],
            usual=_usual(watch, TEMPERATURE, series[TEMPERATURE], zone) if daily else None,
        ),
        _panel(
            PH,
            series[PH],
            limits=[limit for limit in (water.ph_low, water.ph_high) if limit is not None],
            usual=_usual(watch, PH, series[PH], zone) if daily else None,
        ),
        _gas_panel(gas, live.co2_limit_mg_l, max(SLOT_MS, span.step_ms)),
        _panel(LIGHT, series[LIGHT], shades=_lamp_hours(watch, start_ms, end_ms, zone) if daily else []),
    ]
    return {
        "start": start_ms // 1000,
        "end": end_ms // 1000,
        "step": span.step_ms // 1000,
        "zone": tank.timezone,
        "panels": [_in_units(panel, units) for panel in panels if panel is not None],
        "marks": [
            {**mark, "text": shown(mark["text"], units)}
            for mark in _marks(store, name, start_ms, end_ms, events, zone)
        ],
    }


def _series(readings: CurveReadings, quantity: str, start_ms: int, end_ms: int, span: Span) -> _Points:
    if span.source == "readings":
        return readings.extremes(quantity, start_ms, end_ms + 1, span.step_ms)
    step: Any = span.source
    return {
        part.start_ms: (part.minimum, part.maximum)
        for part in readings.store.summaries(readings.tank, quantity, start_ms, end_ms + 1, step)
        if part.minimum is not None and part.maximum is not None
    }


def _panel(
    quantity: str,
    points: _Points,
    limits: list[float] | None = None,
    usual: dict[str, list[float | None]] | None = None,
    shades: list[list[int]] | None = None,
) -> dict[str, Any] | None:
    if not points:
        return None
    info = QUANTITIES[quantity]
    times = sorted(points)
    low, high = min(pair[0] for pair in points.values()), max(pair[1] for pair in points.values())
    unit = f" {info.printed_unit}" if info.printed_unit else ""
    return {
        "id": quantity,
        "title": info.title,
        "unit": info.printed_unit,
        "decimals": info.decimals,
        "times": [time // 1000 for time in times],
        "low": [round(points[time][0], 4) for time in times],
        "high": [round(points[time][1], 4) for time in times],
        "limits": limits or [],
        "usual": usual,
        "shades": shades or [],
        "words": f"{low:.{info.decimals}f} to {high:.{info.decimals}f}{unit}",
    }


def _in_units(panel: dict[str, Any], units: Display) -> dict[str, Any]:
    """A panel for people who have other units; only temperature has another."""
    if units == "metric" or panel["id"] != TEMPERATURE:
        return panel

    def converted(values: list[float | None]) -> list[float | None]:
        return [None if value is None else round(fahrenheit(value), 3) for value in values]

    usual = panel["usual"]
    return {
        **panel,
        **{name: converted(panel[name]) for name in ("low", "high", "limits")},
        "usual": None if usual is None else {name: converted(values) for name, values in usual.items()},
        "unit": shown(panel["unit"], units),
        "words": shown(panel["words"], units),
    }


def _usual(
    watch: TankWatch, quantity: str, points: _Points, zone: ZoneInfo
) -> dict[str, list[float | None]] | None:
    day = usual_day(watch, quantity)
    if not day or not points:
        return None
    by_half_hour = {minute // 30: usual for minute, usual in day}
    low: list[float | None] = []
    high: list[float | None] = []
    for time in sorted(points):
        moment = datetime.fromtimestamp(time / 1000, zone)
        usual = by_half_hour.get((moment.hour * 60 + moment.minute) // 30)
        low.append(None if usual is None else round(usual.low, 3))
        high.append(None if usual is None else round(usual.high, 3))
    return {"low": low, "high": high}


def _judged(store: EmbeddedStore, tank: str, start_ms: int, end_ms: int, step_ms: int) -> dict[int, GasRange]:
    """What was judged, by the beginning of each step."""
    found: dict[int, GasRange] = {}
    judged = judged_gas if step_ms < _DAY_MS else judged_days
    for time_ms, gas in judged(store, tank, start_ms, end_ms + 1):
        step = time_ms // step_ms * step_ms
        found[step] = gas.and_(found.get(step))
    return found


def _made_of_ph(watch: TankWatch, acid: _Points, warmth: _Points, before_ms: int) -> dict[int, GasRange]:
    """By the middle of each step's pH, with one standard error either way."""
    detector = watch.of(CarbonDioxideDetector)
    found = {}
    for time, (low, high) in acid.items():
        if time >= before_ms:
            continue
        heat = warmth.get(time)
        celsius = None if heat is None else (heat[0] + heat[1]) / 2
        gas = detector.estimate.at(watch.tank, detector.curve, (low + high) / 2, celsius)
        if gas is not None and math.isfinite(gas.mg_l):
            found[time] = GasRange(gas.low, gas.mg_l, gas.mg_l, gas.high)
    return found


def _gas_panel(gas: dict[int, GasRange], limit: float, step_ms: int) -> dict[str, Any] | None:
    if not gas:
        return None
    times = sorted(gas)
    found = [gas[time] for time in times]
    factor = max((one.high / one.most for one in found if one.most > 0), default=1.0)
    least, most = min(one.least for one in found), max(one.most for one in found)
    return {
        "id": "co2",
        "title": "CO2, estimated from the pH",
        "unit": "mg/L",
        "decimals": 0,
        "step": step_ms // 1000,
        "times": [time // 1000 for time in times],
        "low": [round(one.least, 2) for one in found],
        "high": [round(one.most, 2) for one in found],
        "limits": [limit],
        "usual": None,
        "likely": {
            "low": [round(one.low, 2) for one in found],
            "high": [round(one.high, 2) for one in found],
        },
        "shades": [],
        "words": f"{least:.0f} to {most:.0f} mg/L, likely within a factor of {factor:.1f}",
    }


def _lamp_hours(watch: TankWatch, start_ms: int, end_ms: int, zone: ZoneInfo) -> list[list[int]]:
    """When the lamp should be on, as pairs of seconds since 1970."""
    schedule = lamp_schedule(watch)
    if schedule is None:
        return []
    found = []
    day = datetime.fromtimestamp(start_ms / 1000, zone).date() - timedelta(days=1)
    last = datetime.fromtimestamp(end_ms / 1000, zone).date()
    while day <= last:
        midnight = datetime(day.year, day.month, day.day, tzinfo=zone)
        number = (day - datetime(1970, 1, 1, tzinfo=UTC).date()).days
        for on, off in schedule[is_weekend(number)]:
            # by the wall clock, so that the hour of summer time is right
            edges = [
                midnight + timedelta(minutes=on),
                midnight + timedelta(minutes=on + (off - on) % DAY_MIN),
            ]
            begin, end = (round(edge.timestamp()) for edge in edges)
            if end * 1000 > start_ms and begin * 1000 < end_ms:
                found.append([begin, end])
        day += timedelta(days=1)
    return found


def _marks(
    store: EmbeddedStore, tank: str, start_ms: int, end_ms: int, events: list[Event], zone: ZoneInfo
) -> list[dict[str, Any]]:
    """Alarms and entries of the log, by time; the newest where there are very many."""
    marks = [*_alarm_marks(events), *_log_marks(store, tank, start_ms, end_ms)]
    inside = sorted((mark for mark in marks if start_ms <= mark["ms"] <= end_ms), key=lambda mark: mark["ms"])
    for mark in inside:
        moment = datetime.fromtimestamp(mark["ms"] / 1000, zone)
        mark["when"] = f"{moment.day} {moment:%b %H:%M}"
        mark["time"] = mark.pop("ms") // 1000
    return inside[-_MOST_MARKS:]


def _alarm_marks(events: list[Event]) -> Iterator[dict[str, Any]]:
    for event in events:
        if event.event == "raised" and not event.test:
            yield {
                "ms": milliseconds(event.time),
                "kind": "alarm",
                "text": event.summary,
                "href": f"/alarm/{event.occurrence}",
            }


def _log_marks(store: EmbeddedStore, tank: str, start_ms: int, end_ms: int) -> Iterator[dict[str, Any]]:
    for entry in store.log(tank, start_ms, end_ms + 1):
        kind = "water" if entry.changed_share is not None else "test" if entry.tests else "log"
        yield {"ms": entry.time_ms, "kind": kind, "text": entry.words(), "href": ""}
