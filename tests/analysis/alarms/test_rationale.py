"""Every alarm is rationalised, and every text that leads to hands, plugs, water or animals is cautioned."""

from __future__ import annotations

import re

import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.cautions import CAUTIONS, below, beside, cautions_due, cautions_for
from rushlight.analysis.alarms.rationale import ANY, RATIONALE, Equipment, rationale_for
from rushlight.analysis.findings import Finding
from rushlight.analysis.notices.wording import event_text
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


TANKS = [
    ANY,
    *(
        Equipment(gas, heater, light)
        for gas in ("", "cylinder", "reactor")
        for heater in (True, False)
        for light in (True, False)
    ),
]
"""Every tank that the settings can describe."""


@pytest.mark.parametrize("has", TANKS)
@pytest.mark.parametrize("alarm", EVERY)
def test_row_is_complete(alarm: str, has: Equipment) -> None:
    # ANSI/ISA-18.2 rationalisation asks for consequence, action, priority, setpoints and delays (from memory)
    row = rationale_for(alarm, has)
    assert len(row.consequence) > 30 and not row.consequence.endswith(".")
    assert 3 <= len(row.lines) <= 8
    assert all(
        step.endswith((".", "?")) and re.match("[A-Z]|pH ", step) and len(step) < 320 for step in row.lines
    )
    assert PRIORITY_RANK[row.priority] >= PRIORITY_RANK[row.least_priority]
    assert 0 <= row.on_delay_s <= 120
    assert 600 <= row.off_delay_s <= 1800
    assert row.steps().startswith("1. ") and f"\n{len(row.lines)}. " in row.steps()


@pytest.mark.parametrize("alarm", EVERY)
@pytest.mark.parametrize("has", TANKS)
def test_says_what_not_to_touch_or_do(alarm: str, has: Equipment) -> None:
    text = rationale_for(alarm, has).steps()
    assert re.search(r"\b(don't|never|no|not|leave|only|out of)\b", text, re.IGNORECASE), text


@pytest.mark.parametrize("alarm", EVERY)
@pytest.mark.parametrize("has", TANKS)
def test_cautions_cover_the_action(alarm: str, has: Equipment) -> None:
    row = rationale_for(alarm, has)
    assert cautions_due(row.steps()) <= set(row.cautions)
    if alarm in HARMFUL:
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
    if alarm in HARMFUL:
        assert "fish-health professional" in words and "vet" in words
    for part in ("Likely cause:", "If nobody acts:", "What to do:\n1. ", "How long there is:"):
        assert part in events[0].detail
    assert events[0].consequence and events[0].action


def test_stray_current_is_about_a_person_first() -> None:
    row = rationale_for("stray-current-suspected")
    assert row.priority == row.least_priority == "critical"
    assert row.lines[0].startswith("Keep your hands out of the water")
    assert "breaker" in row.lines[1] and "dry hands" in row.lines[1]
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


def test_steps_are_for_the_gas_that_the_tank_has_the_decisive_one_first() -> None:
    cylinder, reactor = (rationale_for("co2-overdose", Equipment(gas)) for gas in ("cylinder", "reactor"))
    assert cylinder.lines[0].startswith("Close the valve on the CO2 cylinder. Then start an air pump")
    assert reactor.lines[0].startswith("Start an air pump, kept above the water line. Then lift the reactor")
    for alarm in EVERY:
        said = {gas: rationale_for(alarm, Equipment(gas)) for gas in ("cylinder", "reactor", "")}
        for step in said["reactor"].lines:
            # who has a reactor can't close a valve
            assert not re.search(r"cylinder|valve|solenoid|close the CO2", step), step
        assert "reactor" not in said["cylinder"].steps().lower()
        if RATIONALE[alarm].family != "carbon dioxide":
            bare = said[""]
            assert not re.search(r"CO2|cylinder|reactor", bare.steps()) and "gas" not in bare.cautions


def test_a_tub_without_heater_and_lamp_hears_of_none() -> None:
    tub = Equipment("", heater=False, light=False)
    for alarm in ("temperature-high", "temperature-low", "device-silent", "power-interrupted"):
        row = rationale_for(alarm, tub)
        assert not re.search(r"\b(heater|lamp|CO2)\b", row.steps()), row.steps()
        assert re.search(r"\b(heater|lamp|CO2)\b", rationale_for(alarm).steps())


def test_no_filter_is_left_unplugged() -> None:
    """Without its filter a tank runs out of oxygen: whoever is told to unplug it is told to plug it in."""
    for alarm in EVERY:
        for has in TANKS:
            for step in rationale_for(alarm, has).lines:
                if re.search(r"unplug[^.;]*\b(the|a|closed) filter|closed filter", step, re.IGNORECASE):
                    assert re.search(r"plug (it )?in again|restart it", step), step


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


@pytest.mark.parametrize("has", TANKS)
@pytest.mark.parametrize("alarm", EVERY)
def test_the_first_300_characters_of_a_notice_are_enough_at_night(alarm: str, has: Equipment) -> None:
    """What is wrong and where, how long there is, and the first step with the caution that belongs to it."""
    book = AlarmBook("alcove", "Alcove", has)
    quantity = "ph" if alarm == "probe-fault" else ""
    finding = Finding(
        alarm=alarm,
        quantity=quantity,
        priority=rationale_for(alarm).priority,
        time_left_s=2500.0,
        value=38.0,
        unit="mg/L",
    )
    (event,) = book.update([finding], 0) + book.update([finding], 121_000)
    text = event_text(event)
    start = f"{text.title}\n{text.body}"[:300]
    first = rationale_for(alarm, has).lines[0]
    assert "Alcove" in start and "about 40 min left" in start and first in start
    if re.search(r"\b(unplug|touch|hand|reach)\b", first) and "dry hand" not in first:
        assert re.search(r"at the wall|don't reach|out of the water", start), start
    # each step is said once, and so is each caution
    for step in rationale_for(alarm, has).action_for(quantity):
        assert text.body.count(step) == 1, step
    # and every caution once: its decisive words in a step, the rest below
    body = " ".join(text.body.split())
    for phrase in ("drip loop", "lower than its socket", "residual-current device of 30 mA", "IEC 61008-1",
                   "local electrical codes"):  # fmt: skip
        assert body.count(phrase) == 1, phrase
    assert "licensed electrician" in body and body.count("lamp, heater or pump") == 0
    if "gas" in rationale_for(alarm, has).cautions:
        assert body.count("if you feel dizzy") == 1
        source = has.gas if alarm == "co2-overdose" else "either"  # its steps are all about the one
        assert body.count("upright and tied") == 1 or source == "reactor"
        assert body.count("Never close off the hose") == 1 or (source or "either") == "cylinder"
    if "animals" in rationale_for(alarm, has).cautions:
        assert body.count(CAUTIONS["animals"]) == 1
    if "person-first" in rationale_for(alarm, has).cautions:
        assert body.count(CAUTIONS["person-first"]) == 1


_TO_PLUG_OR_WATER = re.compile(
    r"\b(reach\w*|hose out|unplug|touch|scoop|rinse|wipe|ripple|air pump|hand goes)\b", re.IGNORECASE
)


@pytest.mark.parametrize("has", TANKS)
@pytest.mark.parametrize("alarm", EVERY)
def test_who_is_sent_to_plug_or_water_reads_the_caution_there(alarm: str, has: Equipment) -> None:
    for quantity in ("ph", "temperature") if alarm == "probe-fault" else ("",):
        steps = rationale_for(alarm, has).action_for(quantity)
        said = [beside("electrical", step) for step in steps]
        first = next(n for n, step in enumerate(steps) if _TO_PLUG_OR_WATER.search(step))
        # of stray current the first step sends nobody anywhere
        assert said[first] or (alarm == "stray-current-suspected" and "Keep your hands out" in steps[first])
        for step in steps:
            if re.search(r"\bunplug (the|a|it|all|everything)\b", step, re.IGNORECASE):
                assert "at the wall" in step, step


def test_a_caution_whose_words_no_step_has_is_said_in_full() -> None:
    cautions = cautions_for("co2-overdose")
    assert below(cautions, "1. Look at the tank.") == cautions
    assert below(cautions, rationale_for("co2-overdose").steps()) != cautions
    # half of the words is not the caution
    assert below(cautions, "1. Unplug it at the wall.\n2. Take it with dry hands.") == cautions


def test_gas_words_are_where_the_gas_leaves_into_the_room() -> None:
    for gas in ("cylinder", "reactor", ""):
        steps = rationale_for("co2-overdose", Equipment(gas)).lines
        assert [step for step in steps if beside("gas", step)] == [
            step for step in steps if step.startswith("Open the lid")
        ]


def test_a_probe_fault_says_what_to_do_with_that_probe_only() -> None:
    row = rationale_for("probe-fault")
    electrode, thermometer = row.steps("ph"), row.steps("temperature")
    assert "keep its tip wet" in electrode and "dry its connector" not in electrode
    assert "dry its connector" in thermometer and "keep its tip wet" not in thermometer
    assert "pH electrode" not in row.steps("light") and "Temperature probe" not in row.steps("light")
    assert "keep its tip wet" in row.steps() and "dry its connector" in row.steps()
    # what reads too high makes a controller give too much
    assert "If a pH controller goes by it, unplug that at the wall" in electrode
