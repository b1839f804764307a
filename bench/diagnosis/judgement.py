"""One run's alarms against its truth; the terms are at the top of `score.py`."""

from __future__ import annotations

import datetime as dt
from typing import Any

__all__ = ["judge", "seconds"]

EARLY_S = 600
RELATED: dict[str, set[str]] = {  # a name that sends a person to the right place, though not the cause
    "co2-overdose": {"ph-out-of-range"},
    "co2-absent": {"ph-out-of-range"},
    "ph-out-of-range": {"co2-overdose", "co2-absent"},
    "heater-stuck-on": {"temperature-high"},
    "heater-not-heating": {"temperature-low"},
    "cooling-not-cooling": {"temperature-high"},
    "temperature-high": {"cooling-not-cooling", "heater-stuck-on"},
    "temperature-low": {"heater-not-heating"},
    "light-schedule-drift": {"light-missing", "light-stuck-on"},
    "light-missing": {"light-schedule-drift", "light-dimming"},
    "light-stuck-on": {"light-schedule-drift"},
    "light-dimming": {"light-missing"},
    "probe-fault": set(),
    "device-silent": {"power-interrupted"},
    "power-interrupted": {
        "light-missing",
        "heater-not-heating",
        "device-silent",
        "co2-absent",
        "temperature-low",
    },
    "stray-current-suspected": set(),
    "setting-doubtful": set(),
}

NEEDS = {  # the setting by which an alarm is defined
    "light-schedule-drift": "light",
    "light-missing": "light",
    "light-stuck-on": "light",
    "heater-stuck-on": "setpoint",
    "heater-not-heating": "setpoint",
    "co2-absent": "valve",
    "ph-out-of-range": "ph_limits",
}


def seconds(text: str) -> float:
    """RFC 3339 to seconds since 1970."""
    return dt.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


def judge(truth: dict[str, Any], events: list[dict[str, Any]]) -> dict[str, Any]:
    """One scenario's verdict; times in hours relative to the onset."""
    raised = sorted(
        (e for e in events if e.get("event") == "raised" and e.get("tank") == truth["tank"]),
        key=lambda e: seconds(e["time"]),
    )
    raised = [e for e in raised if not _true_for_a_while(e, truth)]
    weeks = (seconds(truth["end"]) - seconds(truth["begin"])) / 604800
    verdict: dict[str, Any] = {"scenario": truth["scenario"], "kind": truth["kind"], "weeks": weeks}
    verdict["world"] = truth.get("world", "usual")
    if truth["kind"] == "nominal":
        true = [e for e in raised if _side(e, set(truth.get("excused", [])))]
        return verdict | {"false": [_in_words(e) for e in raised if e not in true], "true_events": []}
    alarm, onset, harm = truth["alarm"], seconds(truth["onset"]), seconds(truth["harm"])
    right = {alarm, *truth["accept"]}
    related, excused = RELATED[alarm], set(truth["excused"])
    false, hits, near, first, true_events = [], [], [], None, []
    for e in raised:
        at = seconds(e["time"])
        name = e["alarm"]
        good = name in right and not (
            name == alarm in ("probe-fault", "setting-doubtful")
            and truth["quantity"]
            and e.get("quantity") != truth["quantity"]
        )
        side = _side(e, excused)
        if at < onset - EARLY_S or not (good or name in related or side):
            false.append(_in_words(e))
        if at < onset - EARLY_S:
            continue
        if good:
            hits.append(at)
            true_events.append(name)
        elif name in related:
            near.append(at)
        if first is None and (good or not side):
            first = name if good else f"{name}{'/' + e['quantity'] if e.get('quantity') else ''}"
    detected = [t for t in hits + near if t <= harm]
    named = [t for t in hits if t <= harm]
    of = f"/{truth['quantity']}" if truth["quantity"] else ""
    worse = seconds(truth["worse"]) if truth["worse"] else None
    return verdict | {
        "alarm": alarm,
        "variant": truth["variant"],
        "severity": truth["severity"],
        "acute": truth["acute"],
        "harmful": truth["acute"] or alarm == "power-interrupted",
        "detected": bool(detected),
        "named": bool(named),
        "named_ever": bool(hits),
        "first_name_right": first in right,
        "first": first,
        "before_worse": bool(hits and (worse is None or min(hits) <= worse)),
        "delay_h": (min(hits) - onset) / 3600 if hits else None,
        "lead_h": (harm - min(hits)) / 3600 if hits else None,
        "warning_h": (harm - min(detected)) / 3600 if detected else 0.0,
        "window_h": (harm - onset) / 3600,
        "false": false,
        "true_events": true_events,
        "raised": [_in_words(e) for e in raised],
        "settings_given": NEEDS.get(alarm) not in truth.get("settings_missing", []),
        "expected": f"{alarm}{of} ({truth['variant']}, severity {truth['severity']}) "
        f"from {truth['onset']} before {truth['harm']}",
    }


def _side(e: dict[str, Any], excused: set[str]) -> bool:
    """Whether it is excused, by its name or by NAME/QUANTITY."""
    return e["alarm"] in excused or f"{e['alarm']}/{e.get('quantity', '')}" in excused


def _true_for_a_while(e: dict[str, Any], truth: dict[str, Any]) -> bool:
    """Whether it was true when it was raised, and is not what the run is about."""
    at = seconds(e["time"])
    begun = truth["kind"] == "fault" and at >= seconds(truth["onset"]) - EARLY_S
    if begun and e["alarm"] in {truth["alarm"], *truth["accept"]}:
        return False
    spans = truth.get("true_spans", [])
    return any(_side(e, {name}) and seconds(begin) <= at <= seconds(end) for name, begin, end in spans)


def _in_words(e: dict[str, Any]) -> str:
    quantity = f"/{e['quantity']}" if e.get("quantity") else ""
    return f"{e['time']} {e['alarm']}{quantity}"
