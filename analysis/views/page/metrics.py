"""`/metrics`: the service's health and each tank's latest values, in Prometheus' text format (0.0.4)."""

from __future__ import annotations

from collections.abc import Iterator

from rushlight.analysis.views.fact_types import Facts

__all__ = ["metrics_text"]

_HEADS = {
    "rushlight_up": "1 while readings arrive and are kept",
    "rushlight_reading": "latest value of a quantity, in its unit",
    "rushlight_reading_age_seconds": "age of that value",
    "rushlight_co2_mg_per_litre": "dissolved CO2 as estimated from the pH",
    "rushlight_alarms": "alarms that ask for something to be done",
    "rushlight_device_up": "1 while the tank's device says that it is online",
    "rushlight_link_delivered_total": "payloads that a link has delivered since its start",
    "rushlight_link_faults_total": "what went wrong on a link since its start",
    "rushlight_notices_waiting": "notices that no target has taken yet",
    "rushlight_notices_refused": "those among them that were tried in vain",
}
_COUNTERS = ("rushlight_link_delivered_total", "rushlight_link_faults_total")


def metrics_text(facts: Facts, well: bool) -> str:
    """All of it; times and tanks as in `facts`."""
    found: dict[str, list[str]] = {name: [] for name in _HEADS}
    for name, labels, value in _samples(facts, well):
        inside = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items())
        found[name].append(f"{name}{{{inside}}} {value:.10g}" if inside else f"{name} {value:.10g}")
    lines: list[str] = []
    for name, samples in found.items():
        if samples:
            kind = "counter" if name in _COUNTERS else "gauge"
            lines += [f"# HELP {name} {_HEADS[name]}", f"# TYPE {name} {kind}", *samples]
    return "\n".join(lines) + "\n"


def _samples(facts: Facts, well: bool) -> Iterator[tuple[str, dict[str, str], float]]:
    yield "rushlight_up", {}, float(well)
    for tank in facts.tanks:
        labels = {"tank": tank.name}
        for reading in tank.readings:
            what = {**labels, "quantity": reading.quantity, "unit": reading.unit}
            if reading.value is not None:
                yield "rushlight_reading", what, reading.value
            yield "rushlight_reading_age_seconds", what, reading.age_ms / 1000
        gas = tank.carbon_dioxide
        if gas is not None:
            for bound, value in (("low", gas.low_mg_l), ("likely", gas.mg_l), ("high", gas.high_mg_l)):
                yield "rushlight_co2_mg_per_litre", {**labels, "bound": bound}, value
        for priority in ("low", "medium", "high", "critical"):
            count = sum((alarm.raised or alarm.away) and alarm.priority == priority for alarm in tank.alarms)
            yield "rushlight_alarms", {**labels, "priority": priority}, float(count)
        if tank.device is not None:
            yield "rushlight_device_up", labels, float(tank.device.word == "online")
    for link in facts.links:
        yield "rushlight_link_delivered_total", {"link": link.name}, float(link.delivered)
        for fault, count in link.faults.items():
            yield "rushlight_link_faults_total", {"link": link.name, "fault": fault}, float(count)
    yield "rushlight_notices_waiting", {}, float(facts.notices.waiting)
    yield "rushlight_notices_refused", {}, float(facts.notices.refused)


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
