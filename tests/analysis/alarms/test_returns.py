"""An alarm that comes and goes: few notices, and nothing lost. ISA-18.2 names it fleeting (from memory)."""

from __future__ import annotations

from itertools import pairwise

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.clock_put_back import put_back
from rushlight.analysis.alarms.rationale import RATIONALE, rationale_for
from rushlight.analysis.alarms.returns import RETURNS, Returns, returns_text
from rushlight.analysis.alarms.states import AlarmRecord, AlarmState, Input, Step, step
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.findings import Finding
from rushlight.collector.events import PRIORITY_RANK, AlarmKey, Event, Priority

T0 = 1772331250000
MIN = 60_000
HOUR = 60 * MIN
DAY = 24 * HOUR
GAS: AlarmKey = ("alcove", "co2-overdose", "")


class Life:
    """A book and its time; `there` and `away` give it a judgement a minute."""

    def __init__(self, alarm: str = "co2-overdose", unit: str = "mg/L") -> None:
        self.book = AlarmBook("alcove", "Alcove", timezone="Europe/Helsinki")
        self.now = T0
        self.alarm, self.unit = alarm, unit
        self.events: list[Event] = []

    def there(
        self, for_ms: int, value: float = 33.0, priority: Priority = "high", every: int = MIN
    ) -> list[str]:
        found = Finding(alarm=self.alarm, priority=priority, value=value, unit=self.unit)
        return self._judge([found], for_ms, every)

    def away(self, for_ms: int, every: int = MIN, findings: list[Finding] | None = None) -> list[str]:
        return self._judge(findings or [], for_ms, every)

    def _judge(self, findings: list[Finding], for_ms: int, every: int) -> list[str]:
        end, new = self.now + for_ms, []
        while self.now < end:
            self.now += every
            new += self.book.update(findings, self.now)
        self.events += new
        return [event.event for event in new if event.alarm == self.alarm]

    def fleeting(self) -> Life:
        """Raised for the third time within a day: from here on it is kept open; away now."""
        for _ in range(2):
            assert self.there(30 * MIN) == ["raised"]
            assert self.away(40 * MIN) == ["cleared"]
        assert self.there(30 * MIN) == ["raised"]
        assert self.away(40 * MIN) == []
        return self

    def record(self) -> AlarmRecord:
        (record,) = (r for k, r in self.book.records().items() if k[1] == self.alarm)
        return record


def test_what_swings_about_its_limit_is_raised_three_times_and_ends_once() -> None:
    life = Life().fleeting()
    before = life.record().occurrence
    for _ in range(30):
        assert life.there(20 * MIN) == []
        assert life.away(40 * MIN) == []
    assert life.record().occurrence == before and life.record().state is AlarmState.UNACKNOWLEDGED
    # it was away for 40 min at most, so twice that is its end
    assert life.away(39 * MIN) == []
    assert life.away(3 * MIN) == ["cleared"]
    assert life.record().state is AlarmState.RETURNED_UNACKNOWLEDGED
    assert life.there(MIN) == ["raised"] and life.record().occurrence != before


def test_what_comes_each_day_at_one_time_is_one_alarm_from_the_third_day_on() -> None:
    life, raised = Life(), []
    for _ in range(7):
        raised.append(life.there(8 * HOUR).count("raised"))
        life.away(16 * HOUR)
    assert raised == [1, 1, 1, 0, 0, 0, 0]
    # a shelf, too, lasts seven days at most: whoever has silenced it hears of it again
    for _ in range(5):
        raised.append(life.there(8 * HOUR).count("raised"))
        life.away(16 * HOUR)
    assert raised[7:] == [0, 0, 0, 1, 0]
    assert [event.event for event in life.events].count("cleared") == 3


def test_a_first_and_a_second_return_are_told_of_and_what_is_seldom_always() -> None:
    life = Life()
    for _ in range(8):
        assert life.there(HOUR) == ["raised"]
        assert life.away(2 * DAY) == ["cleared"]  # seldom: not soon enough to be a return
    lamp = Life("light-missing", "lx")
    for _ in range(2):
        assert lamp.there(HOUR) == ["raised"]
        assert lamp.away(23 * HOUR) == ["cleared"]
    assert lamp.there(HOUR) == ["raised"]
    assert lamp.away(23 * HOUR) == []  # its twin: from the third return on it is kept open


def test_after_three_days_without_it_it_is_an_alarm_like_any_other() -> None:
    life = Life().fleeting()
    assert life.away(3 * DAY + HOUR) == ["cleared"]
    assert life.there(30 * MIN) == ["raised"] and life.record().returns.back == 0
    assert life.away(HOUR) == ["cleared"]
    within = Life().fleeting()
    assert within.away(2 * DAY) == ["cleared"]
    assert within.there(30 * MIN) == ["raised"]
    assert within.away(HOUR) == []  # its twin: remembered


@pytest.mark.parametrize(
    ("alarm", "unit", "was", "same", "worse"),
    [("co2-overdose", "mg/L", 33.0, 42.5, 43.0), ("temperature-high", "Cel", 29.0, 30.0, 30.1),
     ("temperature-low", "Cel", 20.0, 19.0, 18.9), ("ph-out-of-range", "pH", 8.0, 7.75, 7.65),
     ("ph-out-of-range", "pH", 8.0, 8.25, 8.35), ("light-schedule-drift", "min", 40.0, 70.0, 71.0)],
)  # fmt: skip
def test_what_is_back_and_worse_is_raised_at_once(
    alarm: str, unit: str, was: float, same: float, worse: float
) -> None:
    life = Life(alarm, unit)
    for _ in range(3):
        assert life.there(HOUR, was).count("raised") == 1
        life.away(HOUR)
    old = life.record().occurrence
    assert life.away(MIN) == [] and life.there(HOUR, same) == []
    delay = rationale_for(alarm).on_delay_s * 1000 + MIN
    life.away(HOUR)
    assert life.there(delay, worse) == ["cleared", "raised"]
    cleared, raised = life.events[-2:]
    assert (cleared.occurrence, cleared.time) == (old, raised.time) and raised.occurrence != old
    assert cleared.summary.startswith("Raised anew: ") and raised.value == worse


def test_what_grows_worse_while_it_is_back_is_raised_then() -> None:
    life = Life().fleeting()
    assert life.there(10 * MIN, 35.0) == []
    assert life.there(10 * MIN, 42.0) == []
    assert life.there(MIN, 45.0) == ["cleared", "raised"]
    assert life.there(10 * MIN, 50.0) == []  # people were told of this stay just now


def test_small_steps_from_one_return_to_the_next_do_not_hide_a_rise() -> None:
    life = Life().fleeting()
    raised = 0
    for value in (35.0, 37.5, 40.0, 42.5, 45.0):
        raised += life.there(20 * MIN, value).count("raised")
        life.away(40 * MIN)
    assert raised == 1


def test_a_higher_priority_is_raised_anew_and_within_the_first_stay_asks_as_ever() -> None:
    life = Life().fleeting()
    assert life.there(MIN, priority="critical") == ["cleared", "raised"]
    life = Life()
    for _ in range(2):
        life.there(30 * MIN)
        life.away(40 * MIN)
    assert life.there(30 * MIN) == ["raised"]
    life.book.acknowledge(GAS, life.now, "Ines")
    assert life.there(MIN, priority="critical") == ["priority-changed"]
    assert life.record().state is AlarmState.UNACKNOWLEDGED


def test_what_no_longer_goes_is_raised_anew() -> None:
    life = Life().fleeting()
    assert life.there(HOUR) == []
    assert life.there(2 * MIN) == ["cleared", "raised"]  # twice 30 min, and an hour at least
    long = Life()
    for _ in range(3):
        long.there(3 * HOUR)
        long.away(HOUR)
    assert long.there(6 * HOUR) == [] and long.there(2 * MIN) == ["cleared", "raised"]


@pytest.mark.parametrize("alarm", ["device-silent", "power-interrupted", "probe-fault"])
def test_what_hides_all_else_is_told_of_each_time(alarm: str) -> None:
    life = Life(alarm, "min")
    for _ in range(6):
        assert life.there(HOUR, 60.0) == ["raised"]
        assert life.away(HOUR) == ["cleared"]


def test_a_stay_of_less_than_an_hour_is_never_called_staying() -> None:
    life = Life()
    for _ in range(3):
        assert life.there(10 * MIN) == ["raised"]
        life.away(HOUR)
    assert life.there(60 * MIN) == []
    assert life.there(2 * MIN) == ["cleared", "raised"]


@pytest.mark.parametrize(("hours", "kept"), [(25, True), (27, False)])
def test_back_after_little_more_than_a_day_is_a_return_and_later_is_none(hours: int, kept: bool) -> None:
    life = Life()
    for _ in range(3):
        assert life.there(HOUR) == ["raised"]
        life.away(hours * HOUR, every=5 * MIN)
    assert life.record().away == kept
    assert life.there(HOUR) == ([] if kept else ["raised"])


def test_a_persons_answer_holds() -> None:
    life = Life().fleeting()
    assert [e.event for e in life.book.acknowledge(GAS, life.now, "Ines")] == ["acknowledged"]
    assert life.there(20 * MIN) == [] and life.record().state is AlarmState.ACKNOWLEDGED
    life.away(HOUR)
    assert life.record().state is AlarmState.ACKNOWLEDGED
    assert life.there(MIN, 50.0) == ["cleared", "raised"]
    assert life.record().state is AlarmState.UNACKNOWLEDGED  # what is worse was not acknowledged


@pytest.mark.parametrize(("alarm", "unit"), [("co2-overdose", "mg/L"), ("light-missing", "lx")])
@pytest.mark.parametrize(("minutes", "holds"), [(238, True), (242, False)])
def test_an_answer_holds_for_hours_where_it_can_kill_within_a_night(
    alarm: str, unit: str, minutes: int, holds: bool
) -> None:
    """Who put one night's surge right has not answered the next night's. A lamp can wait."""
    life = Life(alarm, unit)
    for _ in range(2):
        assert life.there(4 * HOUR) == ["raised"]
        life.away(5 * HOUR)
    assert life.there(4 * HOUR) == ["raised"]
    life.book.acknowledge(("alcove", alarm, ""), life.now, "Ines")
    assert life.away(minutes * MIN) == [] and life.record().away
    waits = holds or alarm == "light-missing"
    assert life.there(HOUR) == ([] if waits else ["cleared", "raised"])
    assert life.record().state is (AlarmState.ACKNOWLEDGED if waits else AlarmState.UNACKNOWLEDGED)


@pytest.mark.parametrize(("priority", "minutes", "holds"), [
    ("critical", 58, True), ("critical", 62, False), ("high", 62, True),
])  # fmt: skip
def test_an_answer_to_what_is_critical_holds_for_no_longer_than_that_leaves(
    priority: Priority, minutes: int, holds: bool
) -> None:
    """Who has gone back to bed must hear that what they did has not helped. It was critical before, too."""
    life = Life()
    for _ in range(3):
        assert life.there(40 * MIN, priority="critical") == ["raised"]
        life.away(70 * MIN)
    assert life.there(40 * MIN, priority="critical") == []
    life.book.acknowledge(GAS, life.now, "Ines")
    assert life.away(minutes * MIN) == [] and life.record().away
    assert life.there(20 * MIN, priority=priority) == ([] if holds else ["cleared", "raised"])
    assert life.record().state is (AlarmState.ACKNOWLEDGED if holds else AlarmState.UNACKNOWLEDGED)
    # or is so only a while after it came back
    later = ["cleared", "raised"] if priority == "high" else []
    assert life.there(5 * MIN, priority="critical") == later


def test_a_shelf_makes_it_an_alarm_like_any_other() -> None:
    life = Life().fleeting()
    assert [e.event for e in life.book.shelve(GAS, life.now + HOUR, life.now, "Ines")] == ["shelved"]
    assert life.away(MIN) == ["cleared"]  # a shelf needs nothing kept open
    assert life.there(30 * MIN) == []
    assert [e.event for e in life.book.unshelve(GAS, life.now, "Ines")] == ["unshelved", "raised"]
    assert life.away(HOUR) == ["cleared"]


def test_what_nobody_can_see_ends_at_once_and_is_no_return() -> None:
    dead = Finding(alarm="probe-fault", quantity="ph", priority="high")
    life = Life().fleeting()
    assert life.away(MIN, findings=[dead]) == ["cleared"]
    assert next(e for e in life.events[::-1] if e.alarm == "co2-overdose").summary.startswith(
        "Not seen any more, "
    )
    life.away(HOUR)
    assert life.there(30 * MIN) == ["raised"] and life.record().returns.back == 0
    life = Life().fleeting()
    (gone,) = life.book.update([], life.now + MIN, unjudged=lambda alarm: "no KH")
    assert gone.summary.startswith("Not judged any more, no KH")
    # seen to go only while the probe was dead: each of them is told of
    life = Life()
    for _ in range(6):
        assert life.there(30 * MIN) == ["raised"]
        assert life.away(40 * MIN, findings=[dead]) == ["cleared"]


def test_a_gap_in_the_readings_is_no_presence_and_keeps_nothing_open() -> None:
    life = Life().fleeting()
    life.now += 5 * HOUR
    assert life.away(MIN) == ["cleared"]
    life = Life().fleeting()
    life.now += 5 * HOUR
    assert life.there(MIN) == ["cleared", "raised"]  # away for longer than it is kept, with nobody to see it
    life = Life().fleeting()
    life.now += 10 * MIN
    assert life.there(MIN) == []  # its twin: a short one


def test_what_the_judging_takes_as_there_does_not_change() -> None:
    life = Life()
    for _ in range(6):
        life.there(20 * MIN)
        assert life.book.standing() == {"co2-overdose"}
        life.away(14 * MIN)
        assert life.book.standing() == {"co2-overdose"}  # within its own off-delay, as ever
        life.away(3 * MIN)
        assert life.book.standing() == set()
        life.away(20 * MIN)
    assert life.record().away
    heat = Life("heater-stuck-on", "Cel")
    for _ in range(4):
        heat.there(20 * MIN, 27.0)
        heat.away(HOUR)
    assert heat.record().away
    heat.there(MIN, 27.0)
    assert heat.book.standing() == set() and heat.book.pending() == {}  # its on-delay runs
    heat.there(HOUR, 27.0)
    assert heat.book.standing() == {"heater-stuck-on"}


def test_what_can_kill_a_person_is_told_of_each_time() -> None:
    life = Life("stray-current-suspected", "pH")
    for _ in range(6):
        assert life.there(HOUR) == ["raised"]
        assert life.away(HOUR) == ["cleared"]


def test_its_priority_comes_and_goes_as_well_and_is_not_told_each_time() -> None:
    life = Life().fleeting()
    life.there(20 * MIN, priority="critical")
    life.book.acknowledge(GAS, life.now, "Ines")
    for _ in range(5):
        assert life.there(50 * MIN, priority="high") == []
        assert life.there(5 * MIN, priority="critical") == []
    assert life.there(3 * HOUR, priority="high") == ["priority-changed"]


def test_the_words_are_in_the_tanks_time() -> None:
    life = Life().fleeting()
    clock = LocalClock("Europe/Helsinki")  # two hours before UTC in March
    returns = life.record().returns
    assert returns_text(returns, False, clock) == (
        "comes and goes: 3 times since 1 Mar, 04:15; not there now since 1 Mar, 07:05"
    )
    detail = life.events[-1].detail
    assert "comes and goes: 3 times since 1 Mar, 04:15; there now since 1 Mar, 06:35" in detail
    assert "until it has been away for 80 min" in detail
    assert not any("comes and goes" in event.detail for event in life.events[:-1])
    life.there(20 * MIN)
    assert returns_text(life.record().returns, True, clock).startswith("comes and goes: 4 times since")
    life.away(90 * MIN)
    # over as ever, and by how long it was there, not by how long it was kept open
    assert life.events[-1].summary == "Over: CO2 overdose in Alcove, after 1½ h"
    assert returns_text(Returns(back=1, since_ms=T0), True, clock) == ""


def test_an_older_record_is_read_and_a_new_one_comes_back_as_it_was() -> None:
    old = {"alarm": "co2-overdose", "standing": True, "open": True, "state": "acknowledged", "raised_ms": T0}
    record = msgspec.convert(old, AlarmRecord)
    assert record.returns == Returns() and "returns" not in msgspec.to_builtins(record)
    gone, _ = step(record, Step(Input.ABSENT), T0 + HOUR)
    assert step(gone, Step(Input.ABSENT), T0 + 2 * HOUR)[0].state is AlarmState.NORMAL
    life = Life().fleeting()
    again = AlarmBook.restore("alcove", "Alcove", life.book.to_bytes(), timezone="Europe/Helsinki")
    assert again.records() == life.book.records() and again.records()[GAS].away


def test_a_clock_that_was_put_back_leaves_what_was_remembered_as_old_as_it_was() -> None:
    ahead = T0 + 30 * DAY
    returns = Returns(back=3, since_ms=T0 - DAY, came_ms=ahead - 2 * HOUR, gone_ms=ahead - HOUR)
    after = put_back(AlarmRecord(alarm="co2-overdose", returns=returns), ahead, T0).returns
    assert (after.since_ms, after.came_ms, after.gone_ms) == (T0 - DAY, T0 - 2 * HOUR, T0 - HOUR)
    life = Life().fleeting()
    life.book.put_back(life.now - 10 * DAY)
    life.now -= 10 * DAY
    assert life.there(20 * MIN) == []
    assert life.away(79 * MIN) == [] and life.away(3 * MIN) == ["cleared"]


_STEPS = st.lists(
    st.tuples(
        st.sampled_from(list(Input)),
        st.sampled_from([0, 1000, MIN, 16 * MIN, HOUR, 5 * HOUR, DAY, 4 * DAY]),
        st.sampled_from(list(PRIORITY_RANK)),
        st.one_of(st.none(), st.floats(0, 200)),
        st.booleans(),
    ),
    max_size=60,
)


@settings(max_examples=300, deadline=None)
@given(alarm=st.sampled_from(list(RATIONALE)), steps=_STEPS)
def test_any_order_of_inputs_makes_sense(
    alarm: str, steps: list[tuple[Input, int, Priority, float | None, bool]]
) -> None:
    record, now, open_before = AlarmRecord(alarm=alarm), T0, False
    for kind, passed, priority, value, unseen in steps:
        now += passed
        finding = Finding(alarm=alarm, priority=priority, value=value)
        before = record
        record, reason = step(before, Step(kind, finding, now + HOUR, unseen), now)
        assert record.standing or not record.away or record.returns.often
        assert not (record.away and "person-first" in rationale_for(alarm).cautions)
        if reason.name == "RAISED":
            assert not before.away, "raised twice without an end"
        if reason.name == "RAISED_ANEW":
            assert before.open and record.standing and record.state is AlarmState.UNACKNOWLEDGED
        if reason.name == "CLEARED":
            assert open_before and not record.open
        if record.standing and record.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
            assert record.open
        if kind is Input.ABSENT and unseen and not record.standing:
            assert not record.open, "nobody can see it, so it is not kept open"
        open_before = record.open


@settings(max_examples=200, deadline=None)
@given(
    stays=st.lists(
        st.tuples(st.integers(5, 300), st.integers(16, 2000), st.floats(31, 60)), min_size=1, max_size=25
    )
)
def test_no_stay_that_is_worse_is_swallowed_and_none_is_raised_later_than_it_came(
    stays: list[tuple[int, int, float]],
) -> None:
    life, told = Life(), 0.0
    for number, (there, away, value) in enumerate(stays):
        raised = life.there(MIN, value).count("raised")
        life.there(there * MIN, value, every=5 * MIN)
        if number < 1 + RETURNS.told_again:
            assert raised == 1, "the first ones are as fast as ever"
        if raised:
            told = value
        assert value <= told * RETURNS.worse_gas_ratio * 1.001, "worse, and nobody was told"
        if any(event.event == "raised" and event.value == value for event in life.events[-2:]):
            told = value
        life.away(away * MIN, every=5 * MIN)
    kinds = [event.event for event in life.events if event.event != "priority-changed"]
    assert all(pair != ("raised", "raised") for pair in pairwise(kinds))
