"""Every alarm is rationalised, and every text that leads to hands, plugs, water or animals is cautioned."""

from __future__ import annotations

import re

import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.cautions import CAUTIONS, cautions_due, cautions_for
from rushlight.analysis.alarms.rationale import RATIONALE, rationale_for
from rushlight.analysis.findings import Finding
from rushlight.collector.events import PRIORITY_RANK

# the alarm table of the contract, section 5, word for word
CONTRACT = {
    "co2-overdose", "co2-absent", "ph-out-of-range", "heater-stuck-on", "heater-not-heating",
    "cooling-not-cooling", "temperature-high", "temperature-low", "light-schedule-drift", "light-missing",
    "light-stuck-on", "light-dimming", "probe-fault", "device-silent", "power-interrupted",
    "stray-current-suspected", "setting-doubtful",
}  # fmt: skip
HARMFUL = {
    "co2-overdose", "ph-out-of-range", "heater-stuck-on", "heater-not-heating", "cooling-not-cooling",
    "temperature-high", "temperature-low", "power-interrupted", "stray-current-suspected",
}  # fmt: skip
EVERY = sorted(RATIONALE)


def test_every_alarm_of_the_contract_and_no_other() -> None:
    assert set(RATIONALE) == CONTRACT
    assert {name for name, row in RATIONALE.items() if row.harmful} == HARMFUL


@pytest.mark.parametrize("alarm", EVERY)
def test_row_is_complete(alarm: str) -> None:
    # ANSI/ISA-18.2 rationalisation asks for consequence, action, priority, setpoints and delays (from memory)
    row = rationale_for(alarm)
    assert len(row.consequence) > 30 and not row.consequence.endswith(".")
    assert 3 <= len(row.action) <= 7
    assert all(
        step.endswith((".", "?")) and re.match("[A-Z]|pH ", step) and len(step) < 320 for step in row.action
    )
    assert PRIORITY_RANK[row.priority] >= PRIORITY_RANK[row.least_priority]
    assert 0 <= row.on_delay_s <= 120
    assert 600 <= row.off_delay_s <= 1800
    assert row.steps().startswith("1. ") and f"\n{len(row.action)}. " in row.steps()


@pytest.mark.parametrize("alarm", EVERY)
def test_says_what_not_to_touch_or_do(alarm: str) -> None:
    text = rationale_for(alarm).steps()
    assert re.search(r"\b(don't|never|no|not|leave|only|out of)\b", text, re.IGNORECASE), text


@pytest.mark.parametrize("alarm", EVERY)
def test_cautions_cover_the_action(alarm: str) -> None:
    row = rationale_for(alarm)
    assert cautions_due(row.steps()) <= set(row.cautions)
    if row.harmful:
        # who reads it will look at animals in trouble
        assert "animals" in row.cautions


@pytest.mark.parametrize("alarm", EVERY)
def test_says_what_would_rule_it_out_and_no_hand_comes_to_harm_by_it(alarm: str) -> None:
    row = rationale_for(alarm)
    assert 40 < len(row.rule_out) < 240 and not row.rule_out.endswith(".") and row.rule_out[0].islower()
    # to look, measure or listen; no remedy is a test
    assert re.search(r"\b(test|compare|look|see|wipe|measure|run)\b", row.rule_out)
    assert cautions_due(row.rule_out) <= set(row.cautions)
    if "unplug" in row.rule_out:
        assert "at the wall" in row.rule_out
    if "person-first" in row.cautions:
        assert row.rule_out.startswith("keep hands out") and "off at the breaker" in row.rule_out
    # a hand goes in only with the mains off, or not at all
    if re.search(r"\b(hand|reach)\b", row.rule_out):
        assert re.search(r"unplugged at the wall|don't reach|no hand|dry hand", row.rule_out)


@pytest.mark.parametrize("alarm", EVERY)
def test_raised_event_says_what_would_rule_it_out(alarm: str) -> None:
    book = AlarmBook("alcove", "Alcove")
    quantity = "ph" if alarm == "probe-fault" else ""
    finding = Finding(alarm=alarm, quantity=quantity, priority=rationale_for(alarm).priority)
    (event,) = book.update([finding], 0) + book.update([finding], 121_000)
    assert event.rule_out.startswith("rule out: ") and len(event.rule_out) > 45
    assert f"What would rule it out: {event.rule_out.removeprefix('rule out: ')}." in event.detail


@pytest.mark.parametrize("alarm", EVERY)
def test_raised_event_carries_the_cautions_in_words(alarm: str) -> None:
    book = AlarmBook("alcove", "Alcove")
    quantity = "ph" if alarm == "probe-fault" else ""
    finding = Finding(alarm=alarm, quantity=quantity, priority=rationale_for(alarm).priority)
    events = book.update([finding], 0) + book.update([finding], 121_000)
    assert [event.event for event in events] == ["raised"]
    words = " ".join(events[0].cautions)
    # the wording that the project's rules demand wherever hands, plugs or water are involved
    for phrase in ("unplug at the wall first", "drip loop", "residual-current device", "30 mA"):
        assert phrase in words
    for phrase in ("IEC 61008-1", "GFCI", "local electrical codes", "licensed electrician"):
        assert phrase in words
    if rationale_for(alarm).harmful:
        assert "fish-health professional" in words and "vet" in words
    for part in ("Likely cause:", "If nobody acts:", "What to do:\n1. ", "How long there is:"):
        assert part in events[0].detail
    assert events[0].consequence and events[0].action


def test_stray_current_is_about_a_person_first() -> None:
    row = rationale_for("stray-current-suspected")
    assert row.priority == row.least_priority == "critical"
    assert row.action[0].startswith("Keep your hands out of the water")
    assert "breaker" in row.action[1] and "dry hands" in row.action[1]
    first = cautions_for("stray-current-suspected")[0]
    assert first == CAUTIONS["person-first"]
    assert first.index("do not put a hand in the water") < first.index("unplug") < first.index("electrician")
    book = AlarmBook("alcove")
    # a detector that thinks too little of it is overruled
    event = book.update([Finding(alarm="stray-current-suspected", priority="low")], 0)[0]
    assert event.priority == "critical"
    assert event.detail.startswith("A person's safety comes first.")


def test_priorities_of_the_families() -> None:
    for row in RATIONALE.values():
        if row.family == "light":
            assert row.priority in ("low", "medium")
    assert rationale_for("probe-fault").priority == "medium"
    assert rationale_for("device-silent").priority == "high"


def test_overdose_steps_for_every_source() -> None:
    text = rationale_for("co2-overdose").steps()
    for phrase in ("air pump", "outlet", "lid", "valve on the cylinder", "can't be turned off",
                   "jug", "above the water line", "siphons", "isn't matched",
                   "chemicals", "don't feed"):  # fmt: skip
        assert phrase in text
    # plugging a reactor's hose would burst it: the text must warn of it, never ask for it
    assert "Never pinch or plug the hose" in text


@pytest.mark.parametrize(
    ("text", "due"),
    [
        ("Reach in and lift the stone.", {"electrical"}),
        ("Put the plug back.", {"electrical"}),
        ("Close the cylinder.", {"gas"}),
        ("Look whether the shrimps move.", {"animals"}),
        ("Read the log.", set()),
    ],
)
def test_cautions_due(text: str, due: set[str]) -> None:
    assert cautions_due(text) == due


def test_unknown_alarm_names_those_known() -> None:
    with pytest.raises(KeyError, match="co2-overdose"):
        cautions_for("co2-overdoes")


def test_headline_without_a_number_is_a_sentence_too() -> None:
    for alarm in EVERY:
        for value in (None, 38.24):
            finding = Finding(alarm=alarm, quantity="ph", value=value, unit="mg/L", time_left_s=2500.0)
            book = AlarmBook("alcove", "A tank with quite a long name, in the hall upstairs by the window")
            event = (book.update([finding], 0) + book.update([finding], 121_000))[0]
            assert len(event.summary) <= 100 and "{" not in event.summary and "  " not in event.summary
            assert event.summary.startswith(event.priority.upper() + ", about 40 min left: ")


def test_a_probe_fault_says_what_to_do_with_that_probe_only() -> None:
    row = rationale_for("probe-fault")
    electrode, thermometer = row.steps("ph"), row.steps("temperature")
    assert "keep its tip wet" in electrode and "dry its connector" not in electrode
    assert "dry its connector" in thermometer and "keep its tip wet" not in thermometer
    assert "pH electrode" not in row.steps("light") and "Temperature probe" not in row.steps("light")
    assert "keep its tip wet" in row.steps() and "dry its connector" in row.steps()
    # what reads too high makes a controller give too much
    assert "Unplug a pH controller that goes by it" in electrode
