"""An explanation in the units that people have: what was judged, only converted."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import msgspec

from rushlight.analysis.explain.curves import Band, Curve, Limit, Panel
from rushlight.analysis.explain.explanation import Explanation
from rushlight.collector.events import Event
from rushlight.collector.units import Display, fahrenheit, shown

__all__ = ["displayed"]

_Value = Callable[[float], float]


def displayed(found: Explanation, units: Display, names: Sequence[str] = ()) -> Explanation:
    """The same with "metric"; `names` of tanks stay as they are."""
    if units == "metric":
        return found
    replace = msgspec.structs.replace
    return replace(
        found,
        event=_event(found.event, units, names),
        note=shown(found.note, units, names),
        panels=[_panel(panel, fahrenheit) if panel.unit == "°C" else panel for panel in found.panels],
    )


def _event(event: Event, units: Display, names: Sequence[str]) -> Event:
    return msgspec.structs.replace(
        event,
        summary=shown(event.summary, units, names),
        cause=shown(event.cause, units),
        action=shown(event.action, units),
        rule_out=shown(event.rule_out, units),
        observations=[shown(one, units) for one in event.observations],
        cautions=[shown(one, units) for one in event.cautions],
    )


def _panel(panel: Panel, of: _Value) -> Panel:
    return Panel(
        panel.title,
        "°F",
        panel.decimals,
        [
            Curve(curve.name, curve.role, [(t, of(v)) for t, v in curve.points], curve.step)
            for curve in panel.curves
        ],
        [Band(band.name, [(t, of(a), of(b)) for t, a, b in band.points]) for band in panel.bands],
        [Limit(limit.name, of(limit.value)) for limit in panel.limits],
    )
