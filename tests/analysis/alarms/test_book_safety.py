"""What the book keeps and says: each line of it, where leaving it out would lose an alarm."""

from __future__ import annotations

import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.alarms.states import (
    MAX_SHELF_MS,
    AlarmRecord,
    AlarmState,
    Input,
    Reason,
    Step,
    step,
)
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.findings import Finding
from rushlight.collector.errors import AlarmError
from rushlight.collector.events import AlarmKey, Event, Priority

T0 = 1772331250000
MIN = 60_000
DELAY_MS = rationale_for("heater-not-heating").on_delay_s * 1000
OFF_MS = rationale_for("co2-overdose").off_delay_s * 1000
GAS: AlarmKey = ("alcove", "co2-overdose", "")
COLD: AlarmKey = ("alcove", "heater-not-heating", "")
SILENT: AlarmKey = ("alcove", "device-silent", "")


def gas(value: float = 38.2, priority: Priority = "high", holding: bool = False) -> Finding:
    return Finding(
        alarm="co2-overdose", priority=priority, value=value, unit="mg/L", cause="the valve stays open",
        holding=holding,
    )  # fmt: skip


def cold(holding: bool = False) -> Finding:
    return Finding(alarm="heater-not-heating", priority="high", value=20.0, unit="Cel", holding=holding)


def book() -> AlarmBook:
    return AlarmBook("alcove", "Alcove")


def again(one: AlarmBook) -> AlarmBook:
    return AlarmBook.restore("alcove", "Alcove", one.to_bytes())


def raised(events: list[Event]) -> list[str]:
    return [event.occurrence for event in events if event.event == "raised"]


def gone(one: AlarmBook, from_ms: int) -> list[Event]:
    one.update([], from_ms)
    return one.update([], from_ms + OFF_MS)


def test_delays_under_test_are_long_enough_to_be_seen() -> None:
    assert DELAY_MS >= MIN
    assert OFF_MS > 0


@pytest.mark.parametrize("restarted", [False, True])
def test_both_times_outlive_a_restart(restarted: bool) -> None:
    one = book()
    one.update([gas()], T0, arrived_ms=T0 + 90 * MIN)
    if restarted:
        one = again(one)
    assert one.as_of_ms == T0
    assert one.latest_ms == T0 + 90 * MIN
    # readings step back by an hour: no time passes, and what they raise now has the later time
    assert raised(one.update([gas(), cold()], T0 - 60 * MIN)) == []
    assert one.as_of_ms == T0
    assert one.pending() == {COLD: T0}


def test_the_latest_time_is_the_later_of_the_two() -> None:
    one = book()
    one.update([gas()], T0)
    one.tick(T0 + 5 * MIN, T0)
    assert one.latest_ms == T0 + 5 * MIN
    late = book()
    late.update([gas()], T0, arrived_ms=T0 - MIN)
    assert late.latest_ms == T0


def test_what_is_said_of_an_alarm_is_its_latest_finding_also_after_a_restart() -> None:
    one = book()
    one.update([gas(38.0)], T0)
    one.update([gas(55.0)], T0 + MIN)
    for which in (one, again(one), again(again(one))):
        found = which.records()[GAS].finding
        assert found is not None and found.value == 55.0
        (event,) = which.acknowledge(GAS, T0 + 2 * MIN, "Ana")
        assert event.value == 55.0


def test_a_cleared_alarm_keeps_the_last_figure_and_the_next_one_begins_with_its_own() -> None:
    one = book()
    one.update([gas(38.0)], T0)
    one.update([gas(55.0)], T0 + MIN)
    events = gone(one, T0 + 2 * MIN)
    assert [(e.event, e.value) for e in events] == [("cleared", 55.0)]
    for which in (one, again(one)):
        found = which.records()[GAS].finding
        assert found is not None and found.value == 55.0
    # a holding finding begins nothing; it is the latest that is known of what nobody has answered yet
    later = T0 + 2 * MIN + OFF_MS + MIN
    assert one.update([gas(12.0, holding=True)], later) == []
    assert again(one).acknowledge(GAS, later, "Ana")[0].value == 12.0
    (event,) = one.update([gas(41.0)], later + MIN)
    assert (event.event, event.value) == ("raised", 41.0)


def test_what_waits_out_its_delay_is_pending_and_what_is_raised_is_not() -> None:
    one = book()
    one.update([gas(), cold()], T0)
    assert one.pending() == {COLD: T0}
    assert one.standing() == {"co2-overdose"}
    one.update([gas(), cold()], T0 + DELAY_MS)
    assert one.pending() == {}
    assert one.standing() == {"co2-overdose", "heater-not-heating"}


def test_silenced_is_what_a_person_silenced_and_nothing_else() -> None:
    one = book()
    one.update([gas(), cold()], T0)
    assert one.silenced() == set()
    one.shelve(GAS, T0 + 60 * MIN, T0, "Ana")
    one.out_of_service(("alcove", "probe-fault", "ph"), T0, "Ana")
    assert one.silenced() == {("co2-overdose", ""), ("probe-fault", "ph")}
    assert again(one).silenced() == one.silenced()


def test_every_change_asks_to_be_stored_and_nothing_else_does() -> None:
    one = book()
    one.update([], T0)
    assert not one.changed
    one.update([cold()], T0)
    assert one.changed  # a delay that has begun is worth keeping
    one.changed = False
    one.update([gas(), cold()], T0 + MIN)
    assert one.changed
    one.changed = False
    one.update([gas(), cold()], T0 + MIN + 1)
    assert not one.changed
    one.acknowledge(GAS, T0 + 2 * MIN, "Ana")
    assert one.changed


def test_an_alarm_that_is_over_leaves_nothing_to_move() -> None:
    one = book()
    one.update([gas()], T0)
    gone(one, T0 + MIN)
    one.acknowledge(GAS, T0 + MIN + OFF_MS, "Ana")
    one.changed = False
    assert one.records() == {}
    assert one.standing() == set()
    assert one.update([], T0 + 9 * MIN + OFF_MS) == []
    assert one.tick(T0 + 10 * MIN + OFF_MS) == []
    assert not one.changed
    assert one.as_of_ms < T0 + 9 * MIN + OFF_MS  # nothing stood, so the book was not opened


def test_a_shelf_that_was_ended_by_hand_does_not_end_again() -> None:
    one = book()
    one.update([gas()], T0)
    one.shelve(GAS, T0 + 30 * MIN, T0, "Ana")
    assert [e.event for e in one.unshelve(GAS, T0 + MIN, "Ana")] == ["unshelved", "raised"]
    assert one.update([gas()], T0 + 31 * MIN) == []
    assert one.records()[GAS].state is AlarmState.UNACKNOWLEDGED


def test_a_shelf_that_ends_over_a_restart_raises_again_what_is_there() -> None:
    one = book()
    one.update([gas()], T0)
    one.shelve(GAS, T0 + 30 * MIN, T0, "Ana")
    one.update([gas()], T0 + 29 * MIN)
    events = again(one).update([gas()], T0 + 30 * MIN)
    assert [e.event for e in events] == ["unshelved", "raised"]


def test_a_shelf_that_ends_with_its_cause_gone_raises_nothing() -> None:
    one = book()
    one.update([gas()], T0)
    one.shelve(GAS, T0 + 300 * MIN, T0, "Ana")
    assert [e.event for e in gone(one, T0 + MIN)] == ["cleared"]
    assert [e.event for e in one.tick(T0 + 300 * MIN)] == ["unshelved"]
    twin = book()
    twin.update([gas()], T0)
    twin.shelve(GAS, T0 + 300 * MIN, T0, "Ana")
    assert [e.event for e in twin.tick(T0 + 300 * MIN)] == ["unshelved", "raised"]


def test_two_raisings_in_one_millisecond_have_two_names() -> None:
    one = book()
    first = raised(one.update([gas()], T0))
    one.shelve(GAS, T0 + MIN, T0, "Ana")
    second = raised(one.unshelve(GAS, T0, "Ana"))
    assert first == ["alcove/co2-overdose/2026-03-01T02:14:10Z"]
    assert second == ["alcove/co2-overdose/2026-03-01T02:14:10.001Z"]


def test_after_a_clock_put_back_no_name_is_given_twice_and_they_count_up_by_one() -> None:
    one = book()
    names = raised(one.update([gas()], T0 + 60 * MIN))
    one.put_back(T0)
    for _ in range(3):
        one.shelve(GAS, T0 + MIN, T0, "Ana")
        names += raised(one.unshelve(GAS, T0, "Ana"))
    assert len(names) == len(set(names)) == 4
    assert names[1].endswith("T03:14:10.001Z") and names[2].endswith("T03:14:10.002Z")


def test_an_unknown_alarm_is_refused_at_once_even_where_it_only_holds() -> None:
    odd = Finding(alarm="too-quiet", priority="low", holding=True)
    with pytest.raises(KeyError):
        book().update([odd], T0)


def test_an_acknowledged_alarm_that_grows_worse_asks_again_and_an_unchanged_one_does_not() -> None:
    one = book()
    one.update([gas()], T0)
    one.acknowledge(GAS, T0 + MIN, "Ana")
    one.changed = False
    assert one.update([gas(39.0)], T0 + 2 * MIN) == []
    assert not one.changed  # what stays as it is costs no write
    (event,) = one.update([gas(60.0, "critical")], T0 + 3 * MIN)
    assert (event.event, event.priority) == ("priority-changed", "critical")
    assert one.records()[GAS].state is AlarmState.UNACKNOWLEDGED


def test_a_shelved_alarm_that_grows_worse_says_nothing_and_is_remembered() -> None:
    one = book()
    one.update([gas()], T0)
    one.shelve(GAS, T0 + 30 * MIN, T0, "Ana")
    assert one.update([gas(60.0, "critical")], T0 + MIN) == []
    events = one.update([gas(60.0, "critical")], T0 + 30 * MIN)
    assert [(e.event, e.priority) for e in events] == [("unshelved", "critical"), ("raised", "critical")]


def test_silence_goes_by_the_clock_and_what_readings_show_by_theirs() -> None:
    one = book()
    silent = Finding(alarm="device-silent", priority="high")
    one.update([cold()], T0)
    assert [e.alarm for e in one.without_readings(silent, T0)] == ["device-silent"]
    # the readings are behind the clock: kept ones are still coming in
    assert one.tick(T0 + 2 * DELAY_MS, T0 + DELAY_MS - 1) == []
    assert one.standing() == {"device-silent"}
    assert [e.alarm for e in one.tick(T0 + 3 * DELAY_MS, T0 + DELAY_MS)] == ["heater-not-heating"]
    # it is over when the clock says so, though the readings that end it are old ones
    off = rationale_for("device-silent").off_delay_s * 1000
    back = T0 + 600 * MIN
    assert one.update([cold()], T0 + DELAY_MS + 1, arrived_ms=back) == []
    events = one.update([cold()], T0 + DELAY_MS + 2, arrived_ms=back + off)
    assert [(e.alarm, e.event) for e in events] == [("device-silent", "cleared")]
    assert "device-silent" not in one.standing()


def test_silence_that_ends_is_said_with_the_clocks_time() -> None:
    one = book()
    one.without_readings(Finding(alarm="device-silent", priority="high"), T0)
    one.tick(T0 + 60 * MIN)
    off = rationale_for("device-silent").off_delay_s * 1000
    events = one.update([], T0 - 600 * MIN, arrived_ms=T0 + 61 * MIN)
    events += one.update([], T0 - 600 * MIN + off, arrived_ms=T0 + 61 * MIN + off)
    (event,) = events
    assert event.event == "cleared" and event.time == utc_text(T0 + 61 * MIN + off)


def test_a_shelf_ends_at_its_end_and_not_before_by_tick_and_by_update() -> None:
    for by_tick in (True, False):
        one = book()
        one.update([gas()], T0)
        one.shelve(GAS, T0 + 30 * MIN, T0, "Ana")
        move = one.tick if by_tick else lambda ms, book=one: book.update([gas()], ms)
        assert move(T0 + 30 * MIN - 1) == []
        assert [e.event for e in move(T0 + 30 * MIN)] == ["unshelved", "raised"]


def test_a_clock_put_back_moves_each_delay_by_its_own_time_and_asks_to_be_stored() -> None:
    one = book()
    ahead = T0 + 60 * MIN
    one.update([cold()], ahead)
    one.without_readings(Finding(alarm="device-silent", priority="high"), ahead)
    one.tick(ahead + MIN // 2, ahead + MIN // 4)
    one.changed = False
    one.put_back(ahead + 2 * MIN)  # not back: nothing is to be stored
    assert not one.changed
    one.put_back(ahead + MIN // 2)  # the clock's very time: not back either
    assert not one.changed
    one.put_back(T0)
    assert one.changed
    began = {key[1]: record.present_since_ms for key, record in one._records.items()}
    assert began["heater-not-heating"] == T0  # the readings had come no further than its beginning
    assert began["device-silent"] == T0 - MIN // 2  # the clock had gone on for half a minute


def test_a_priority_that_stays_is_no_step_and_one_that_falls_begins_to_wait() -> None:
    record = AlarmRecord(
        alarm="co2-overdose", state=AlarmState.ACKNOWLEDGED, standing=True, open=True, priority="critical"
    )
    assert step(record, Step(Input.PRESENT, gas(60.0, "critical")), T0) == (record, Reason.NONE)
    lower, reason = step(record, Step(Input.PRESENT, gas(35.0, "high")), T0)
    assert (lower.lower_since_ms, lower.priority, reason) == (T0, "critical", Reason.PENDING)


def test_a_shelf_ends_by_the_clock_though_kept_readings_are_still_coming_in() -> None:
    one = book()
    one.update([gas()], T0)
    one.shelve(GAS, T0 + 30 * MIN, T0, "Ana")
    assert one.tick(T0 + 30 * MIN - 1, T0) == []
    assert [e.event for e in one.tick(T0 + 30 * MIN, T0)] == ["unshelved", "raised"]


def test_a_shelf_lasts_seven_days_and_not_a_millisecond_longer() -> None:
    one = book()
    one.update([gas()], T0)
    with pytest.raises(AlarmError, match="at most 7 days"):
        one.shelve(GAS, T0 + MAX_SHELF_MS + 1, T0, "Ana")
    assert [e.event for e in one.shelve(GAS, T0 + MAX_SHELF_MS, T0, "Ana")] == ["shelved"]


def test_silence_has_no_delay_of_its_own_in_the_book() -> None:
    """The detector has waited already; so no tick has a delay to measure by the clock."""
    assert rationale_for("device-silent").on_delay_s == 0
