"""The alarm states, delays and persistence, by example and by a random walk through everything at once."""

from __future__ import annotations

from datetime import datetime

import msgspec
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.alarms.states import (
    MAX_SHELF_MS,
    PRIORITY_HOLD_MS,
    AlarmRecord,
    AlarmState,
    Input,
    Step,
    step,
)
from rushlight.analysis.alarms.wording import duration_text, time_left_text, utc_text
from rushlight.analysis.findings import Finding
from rushlight.collector.errors import AlarmError, StoreError
from rushlight.collector.events import PRIORITY_RANK, AlarmKey, Event, Priority

T0 = 1772331250000  # 2026-03-01T02:14:10Z, as in the contract's example event
MIN = 60_000
HEAT: AlarmKey = ("alcove", "heater-stuck-on", "")
GAS: AlarmKey = ("alcove", "co2-overdose", "")

# State names of ANSI/ISA-18.2 and IEC 62682 (from memory; partly seen in OPC 10000-9, clauses 4.8 and 5.8)
STANDARD_STATES = {
    "normal", "unacknowledged", "acknowledged", "returned to normal unacknowledged", "latched unacknowledged",
    "latched acknowledged", "shelved", "suppressed by design", "out of service",
}  # fmt: skip


def gas(priority: Priority = "high", value: float = 38.2, left: float | None = 2500.0) -> Finding:
    return Finding(
        alarm="co2-overdose", priority=priority, value=value, unit="mg/L", time_left_s=left,
        cause="the valve stays open", observations=["pH 6.41, falling", "KH 4 dKH"],
        rule_out="a drop test below 20 mg/L",
    )  # fmt: skip


def test_what_an_alarm_explains_is_said() -> None:
    finding = gas()
    finding.replaces = "ph-out-of-range"
    (event,) = AlarmBook("alcove", "Alcove").update([finding], T0)
    assert "This also explains: ph-out-of-range." in event.detail


def kinds(events: list[Event]) -> list[str]:
    return [event.event for event in events]


def book() -> AlarmBook:
    return AlarmBook("alcove", "Alcove")


def test_states_are_the_standards() -> None:
    assert {state.value for state in AlarmState} <= STANDARD_STATES


def test_raised_event_as_in_the_contract() -> None:
    event = book().update([gas()], T0 + 5, T0)[0]
    data = msgspec.json.decode(msgspec.json.encode(event))
    assert list(data)[:7] == ["time", "tank", "alarm", "event", "priority", "value", "unit"]
    assert (data["time"], data["value"], data["unit"]) == ("2026-03-01T02:14:10Z", 38.2, "mg/L")
    assert data["summary"] == "HIGH, about 40 min left: CO2 38 mg/L in Alcove and rising"
    assert data["occurrence"] == "alcove/co2-overdose/2026-03-01T02:14:10Z"
    detail = data["detail"]
    parts = [
        "1. ",
        "the valve stays open",
        "and can die",
        "about 40 min left",
        "pH 6.41",
        "drop test below 20",
    ]
    places = [detail.index(part) for part in parts]
    assert places == sorted(places)


def test_probe_fault_has_quantity_and_no_value() -> None:
    b = book()
    finding = Finding(alarm="probe-fault", quantity="ph", value=85.0, unit="pH")
    event = (b.update([finding], T0) + b.update([finding], T0 + MIN))[0]
    data = msgspec.json.decode(msgspec.json.encode(event))
    assert "value" not in data and "unit" not in data and data["quantity"] == "ph"
    assert data["occurrence"] == "alcove/probe-fault/ph/2026-03-01T02:15:10Z"


def test_on_delay_off_delay_and_deadband() -> None:
    b, row = book(), rationale_for("heater-stuck-on")
    on, off = row.on_delay_s * 1000, row.off_delay_s * 1000
    hot = Finding(alarm="heater-stuck-on", priority="high")
    near = Finding(alarm="heater-stuck-on", priority="high", holding=True)
    assert b.update([near], T0) == []
    assert b.update([hot], T0) == []
    assert b.update([], T0 + on - 1) == []  # gone inside the on-delay: begins anew
    assert b.update([hot], T0 + on) == []
    assert b.update([hot], T0 + 2 * on - 1) == []
    assert kinds(b.update([hot], T0 + 2 * on)) == ["raised"]
    t = T0 + 2 * on
    assert b.update([near], t + 10 * off) == []  # the deadband keeps it for as long as it lasts
    t += 10 * off
    assert b.update([], t) == []
    assert b.update([hot], t + off - 1) == []  # back inside the off-delay: the same alarm goes on
    assert b.update([], t + off) == []
    assert b.update([], t + 2 * off - 1) == []
    assert kinds(b.update([], t + 2 * off)) == ["cleared"]
    assert b.records()[HEAT].state is AlarmState.RETURNED_UNACKNOWLEDGED


def test_time_passing_without_readings_raises_but_never_clears() -> None:
    b = book()
    hot = Finding(alarm="heater-stuck-on", priority="high")
    b.update([hot], T0)
    events = b.tick(T0 + 60_000)
    assert kinds(events) == ["raised"] and events[0].time == utc_text(T0 + 60_000)
    b.update([], T0 + 61_000)
    assert b.tick(T0 + 10**9) == []
    assert kinds(b.update([], T0 + 10**9 + 1)) == ["cleared"]  # its twin: a judgement ends it


def test_acknowledging() -> None:
    b = book()
    with pytest.raises(AlarmError, match="alcove/co2-overdose: is not raised"):
        b.acknowledge(GAS, T0, "Ines")
    raised = b.update([gas()], T0)[0]
    done = b.acknowledge(GAS, T0 + 1000, "Ines")[0]
    assert (done.event, done.actor, done.occurrence) == ("acknowledged", "Ines", raised.occurrence)
    assert b.acknowledge(GAS, T0 + 2000, "Ines") == []
    b.update([], T0 + MIN)
    assert kinds(b.update([], T0 + 16 * MIN)) == ["cleared"]
    assert b.records() == {}
    # raised once more, gone unacknowledged, acknowledged afterwards
    b.update([gas()], T0 + 20 * MIN)
    b.update([], T0 + 21 * MIN)
    b.update([], T0 + 37 * MIN)
    assert b.records()[GAS].state is AlarmState.RETURNED_UNACKNOWLEDGED
    assert kinds(b.acknowledge(GAS, T0 + 38 * MIN, "Ines")) == ["acknowledged"]
    assert b.records() == {}


def test_priority_up_at_once_and_asks_again_down_after_a_hold() -> None:
    b = book()
    b.update([gas("medium")], T0)
    b.acknowledge(GAS, T0, "Ines")
    up = b.update([gas("critical", 55.0, 0.0)], T0 + 1000)
    assert kinds(up) == ["priority-changed"] and up[0].priority == "critical"
    assert up[0].summary == "CRITICAL (was medium), no time left: CO2 55 mg/L in Alcove"
    assert b.records()[GAS].state is AlarmState.UNACKNOWLEDGED
    assert b.update([gas("high")], T0 + 2000) == []
    assert b.update([gas("critical")], T0 + 2000 + PRIORITY_HOLD_MS - 1) == []  # not lower for long enough
    assert b.update([gas("high")], T0 + 3000 + PRIORITY_HOLD_MS) == []
    assert b.update([gas("high")], T0 + 2999 + 2 * PRIORITY_HOLD_MS) == []
    down = b.update([gas("high")], T0 + 3000 + 2 * PRIORITY_HOLD_MS)
    assert kinds(down) == ["priority-changed"] and down[0].priority == "high"


def test_shelf_ends_and_what_is_still_there_is_raised_again() -> None:
    b = book()
    first = b.update([gas()], T0)[0]
    shelved = b.shelve(GAS, T0 + 60 * MIN, T0 + MIN, "Ines")[0]
    assert (shelved.event, shelved.until, shelved.actor) == ("shelved", "2026-03-01T03:14:10Z", "Ines")
    assert b.update([gas("critical")], T0 + 30 * MIN) == []
    events = b.tick(T0 + 60 * MIN)
    assert kinds(events) == ["unshelved", "raised"]
    assert events[1].priority == "critical" and events[1].occurrence != first.occurrence
    # the same by a reading, with no tick, and by hand
    b.shelve(GAS, T0 + 90 * MIN, T0 + 61 * MIN, "Ines")
    assert kinds(b.update([gas()], T0 + 91 * MIN)) == ["unshelved", "raised"]
    b.shelve(GAS, T0 + 190 * MIN, T0 + 92 * MIN, "Ines")
    assert kinds(b.unshelve(GAS, T0 + 93 * MIN, "Ines")) == ["unshelved", "raised"]


def test_raisings_of_one_moment_have_names_of_their_own() -> None:
    b = book()
    names = [b.update([gas()], T0)[0].occurrence]
    for _ in range(2):
        b.shelve(GAS, T0 + MIN, T0, "Ines")
        names.append(b.unshelve(GAS, T0, "Ines")[1].occurrence)
    assert len(set(names)) == 3


def test_what_goes_while_shelved_is_cleared_and_not_raised_again() -> None:
    b = book()
    b.update([gas()], T0)
    b.shelve(GAS, T0 + 60 * MIN, T0 + MIN, "Ines")
    b.update([], T0 + 2 * MIN)
    assert kinds(b.update([], T0 + 20 * MIN)) == ["cleared"]
    assert kinds(b.tick(T0 + 60 * MIN)) == ["unshelved"]
    assert b.records() == {}


def test_shelving_wants_an_end_in_reach() -> None:
    b = book()
    with pytest.raises(AlarmError, match="has passed"):
        b.shelve(GAS, T0, T0, "Ines")
    with pytest.raises(AlarmError, match="at most 7 days"):
        b.shelve(GAS, T0 + MAX_SHELF_MS + 1, T0, "Ines")
    with pytest.raises(AlarmError, match="no alarm; known are"):
        b.shelve(("alcove", "co2-overdoes", ""), T0 + MIN, T0, "Ines")
    with pytest.raises(AlarmError, match="is not of tank alcove"):
        b.shelve(("porch", "co2-overdose", ""), T0 + MIN, T0, "Ines")
    # before it is ever raised: it has a name of its own, so that the store keeps both of two in a moment
    names = [b.shelve(key, T0 + MIN, T0, "Ines")[0].occurrence for key in (GAS, HEAT)]
    assert names == ["alcove/co2-overdose", "alcove/heater-stuck-on"]


def test_out_of_service_until_returned() -> None:
    b = book()
    b.update([gas()], T0)
    assert [(e.event, e.until) for e in b.out_of_service(GAS, T0, "Ines")] == [("shelved", "")]
    assert b.tick(T0 + 10**10) == [] and b.update([gas()], T0 + 10**10) == []
    with pytest.raises(AlarmError, match="out of service"):
        b.shelve(GAS, T0 + 10**10 + MIN, T0 + 10**10, "Ines")
    assert kinds(b.return_to_service(GAS, T0 + 10**10, "Ines")) == ["unshelved", "raised"]


def test_a_step_back_in_time_is_no_time_passing() -> None:
    b = book()
    b.update([gas()], T0)
    b.update([], T0 + MIN)
    assert b.update([], T0 - 10**9) == []
    assert kinds(b.update([], T0 + 16 * MIN)) == ["cleared"]


def test_step_is_total_and_pure() -> None:
    for state in AlarmState:
        for kind in Input:
            for standing in (False, True):
                record = AlarmRecord(alarm="co2-overdose", state=state, standing=standing, shelf_end_ms=T0)
                before = msgspec.json.encode(record)
                after, reason = step(record, Step(kind, gas(), T0 + MIN), T0)
                assert msgspec.json.encode(record) == before
                assert isinstance(after, AlarmRecord) and reason
                assert step(record, Step(kind, gas(), T0 + MIN), T0) == (after, reason)


def test_state_that_can_not_be_read_is_said_in_words() -> None:
    with pytest.raises(StoreError, match="alarm state of alcove"):
        AlarmBook.restore("alcove", "", b"\x00torn")
    with pytest.raises(StoreError, match="unknown field `version`"):
        AlarmBook.restore("alcove", "", msgspec.msgpack.encode({"version": 9}))


def test_first_lines_read_well() -> None:
    said = [
        ("light-schedule-drift", 25.0, "min", "LOW: lamp of Alcove is on at the wrong times (+25 min)"),
        ("device-silent", 10.0, "min", "LOW: no report from Alcove for 10 min"),
        ("heater-stuck-on", 27.44, "Cel", "LOW: heater stuck on in Alcove, 27.4 °C"),
        ("ph-out-of-range", 5.9, "pH", "LOW: pH 5.90 in Alcove, out of range"),
    ]
    for alarm, value, unit, text in said:
        b = book()
        f = Finding(alarm=alarm, value=value, unit=unit, priority="low", rule_out="rule out: look")
        event = (b.update([f], T0) + b.update([f], T0 + 2 * MIN))[0]
        assert event.summary == text
        assert event.detail.endswith("What would rule it out: look.")
        assert b.standing() == {alarm}


def test_an_unknown_alarm_is_refused() -> None:
    with pytest.raises(KeyError, match="known are"):
        book().update([Finding(alarm="lamp-sad")], T0)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(None, ""), (0.0, "no time left"), (59.0, "no time left"), (299.0, "about 4 min left"),
     (2500.0, "about 40 min left"), (5400.0, "about 1½ h left"), (7199.0, "about 1½ h left"),
     (7200.0, "about 2 h left"), (90_000.0, "about 25 h left"), (200_000.0, "about 2 days left"),
     (1e17, "more than two weeks left")],
)  # fmt: skip
def test_time_left_never_promises_more(seconds: float | None, text: str) -> None:
    assert time_left_text(seconds) == text
    assert duration_text(0) == "1 min"


class Walk(RuleBasedStateMachine):
    """Three alarms, any order of readings, time and people; a twin is killed and restored at every step."""

    ALARMS: tuple[tuple[str, str], ...] = (
        ("co2-overdose", ""),
        ("heater-stuck-on", ""),
        ("probe-fault", "ph"),
    )

    def __init__(self) -> None:
        super().__init__()
        self.now = T0
        self.book = AlarmBook("alcove", "Alcove")
        self.bytes = self.book.to_bytes()
        self.raised: dict[AlarmKey, Event] = {}  # open ones
        self.silent: set[AlarmKey] = set()
        self.until: dict[AlarmKey, int] = {}
        self.last_seen: dict[AlarmKey, int] = {}
        self.names: set[str] = set()

    def both(self, call: str, *args: object) -> None:
        twin = AlarmBook.restore("alcove", "Alcove", self.bytes)
        events = getattr(self.book, call)(*args)
        assert getattr(twin, call)(*args) == events, "a kill in between made a difference"
        self.bytes = self.book.to_bytes()
        assert twin.to_bytes() == self.bytes
        for event in events:
            self.judge(event)

    def judge(self, event: Event) -> None:
        key = (event.tank, event.alarm, event.quantity)
        assert event.time == utc_text(self.now)
        if event.event == "raised":
            assert key not in self.raised, "raised twice without an end"
            assert key not in self.silent, "raised while shelved or out of service"
            assert event.occurrence not in self.names
            self.names.add(event.occurrence)
            self.raised[key] = event
        elif event.event == "cleared":
            off = rationale_for(event.alarm).off_delay_s * 1000
            assert self.now - self.last_seen[key] >= off, "cleared inside the off-delay"
            assert event.occurrence in self.names
            self.raised.pop(key, None)
        elif event.event == "priority-changed":
            assert key in self.raised
        elif event.event == "shelved":
            self.raised.pop(key, None)
            self.silent.add(key)
            self.until.pop(key, None)
            if event.until:
                self.until[key] = round(datetime.fromisoformat(event.until).timestamp() * 1000)
        elif event.event == "unshelved":
            self.silent.discard(key)
            self.until.pop(key, None)
        assert PRIORITY_RANK[event.priority] >= PRIORITY_RANK[rationale_for(event.alarm).least_priority]

    @rule(
        which=st.lists(st.sampled_from(ALARMS), unique=True),
        holding=st.booleans(),
        priority=st.sampled_from(list(PRIORITY_RANK)),
        passed=st.sampled_from([0, 1000, 30_000, 61_000, 5 * MIN, 16 * MIN, 31 * MIN]),
    )
    def reading(self, which: list[tuple[str, str]], holding: bool, priority: Priority, passed: int) -> None:
        self.now += passed
        findings = [Finding(alarm=a, quantity=q, holding=holding, priority=priority) for a, q in which]
        for alarm, quantity in which:
            self.last_seen[("alcove", alarm, quantity)] = self.now
        self.both("update", findings, self.now, self.now)

    @rule(passed=st.sampled_from([0, 1000, 61_000, 31 * MIN, 10**9]))
    def tick(self, passed: int) -> None:
        self.now += passed
        self.both("tick", self.now)

    @precondition(lambda self: self.raised)
    @rule(data=st.data())
    def acknowledge(self, data: st.DataObject) -> None:
        key = data.draw(st.sampled_from(sorted(self.raised)))
        self.both("acknowledge", key, self.now, "Ines")
        assert self.book.records()[key].state is AlarmState.ACKNOWLEDGED

    @rule(which=st.sampled_from(ALARMS), minutes=st.sampled_from([1, 20, 60]))
    def shelve(self, which: tuple[str, str], minutes: int) -> None:
        key = ("alcove", *which)
        record = self.book.records().get(key)
        if record is None or record.state is not AlarmState.OUT_OF_SERVICE:
            self.both("shelve", key, self.now + minutes * MIN, self.now, "Ines")
            assert self.book.records()[key].state is AlarmState.SHELVED

    @rule(
        which=st.sampled_from(ALARMS),
        call=st.sampled_from(["unshelve", "out_of_service", "return_to_service"]),
    )
    def person(self, which: tuple[str, str], call: str) -> None:
        self.both(call, ("alcove", *which), self.now, "Ines")

    @rule()
    def every_shelf_ends(self) -> None:
        if self.until:
            self.now = max(self.now, *self.until.values())
            self.both("tick", self.now)
            assert not self.until
            assert all(r.state is not AlarmState.SHELVED for r in self.book.records().values())

    @invariant()
    def what_is_shown_is_what_is_kept(self) -> None:
        shown = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
        assert {k for k, r in self.book.records().items() if r.state in shown} == set(self.raised)
        silent = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
        assert {k for k, r in self.book.records().items() if r.state in silent} == self.silent


TestWalk = Walk.TestCase
TestWalk.settings = settings(
    max_examples=100, stateful_step_count=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
