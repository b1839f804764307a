"""An alarm whose probe has died isn't over, and nobody is told so."""

from __future__ import annotations

import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.endings import BY_PROBE, ended_by
from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.findings import Finding
from rushlight.analysis.notices.wording import Line, event_text, group_text
from rushlight.collector.events import Event

NOW = 1_772_330_400_000
MIN = 60_000


def cleared(alarm: str, *instead: Finding) -> Event:
    """How an alarm is cleared that stood for two hours, where these are found in its place."""
    book = AlarmBook("landing", "Landing")
    for at in range(120):
        book.update([Finding(alarm=alarm, priority="high")], NOW + at * MIN)
    assert book.standing() == {alarm}
    events = [e for at in range(120, 300) for e in book.update(list(instead), NOW + at * MIN)]
    (found,) = [event for event in events if event.event == "cleared"]
    return found


@pytest.mark.parametrize("alarm", sorted(set().union(*BY_PROBE.values())))
def test_no_alarm_is_called_over_while_its_probe_is_at_fault(alarm: str) -> None:
    quantity = next(name for name, alarms in BY_PROBE.items() if alarm in alarms)
    other = "light" if quantity != "light" else "ph"
    fault = Finding(alarm="probe-fault", quantity=quantity)
    event = cleared(alarm, fault)
    assert event.summary.startswith("Not seen any more, ") and " probe at fault: " in event.summary
    assert event.summary.endswith(f"{RATIONALE[alarm].title} in Landing")
    text = event_text(event)
    assert "It is not known to be over" in text.body and "Nothing to do" not in text.body
    # the twins: with no fault, with that of another probe, or where the values that come are right, it is
    for instead in (
        [],
        [Finding(alarm="probe-fault", quantity=other)],
        [Finding(alarm="probe-fault", quantity=quantity, credible="values")],
    ):
        event = cleared(alarm, *instead)
        assert event.summary.startswith(f"Over: {RATIONALE[alarm].title} in Landing, after")
        assert "Nothing to do now" in event_text(event).body


def test_what_another_alarm_explains_is_put_down_to_that() -> None:
    stuck = Finding(alarm="heater-stuck-on", replaces="cooling-not-cooling, temperature-high")
    assert cleared("temperature-high", stuck).summary == (
        "Put down to heater stuck on: water too warm in Landing"
    )
    assert "It is not known to be over" in event_text(cleared("temperature-high", stuck)).body
    stuck.replaces = ""  # it is there beside it and explains nothing
    assert cleared("temperature-high", stuck).summary.startswith("Over: ")


def test_a_name_is_not_found_inside_another() -> None:
    assert ended_by("light", [Finding(alarm="light-missing", replaces="light-dimming")]) is None


def test_in_a_gathered_notice_they_are_not_counted_as_over() -> None:
    fault = Finding(alarm="probe-fault", quantity="ph")
    events = [cleared("co2-overdose", fault), cleared("temperature-high"), cleared("light-missing")]
    lines = [Line(e.occurrence, "cleared", e.summary, "", e.priority) for e in events]
    text = group_text(lines)
    assert text.title == "Not seen any more or over: 3 alarms in landing"
    assert text.body.startswith("It is not known to be over")
    active = Line("landing/light-dimming/2026-03-01T02:00:00Z", "raised", "LOW: lamp", "", "low")
    assert "1 alarms, 2 over, 1 not seen any more." in group_text([*lines, active]).title
    assert group_text(lines[1:]).title == "Over: 2 alarms in landing"
    assert group_text(lines[1:]).body.startswith("Nothing to do now")
