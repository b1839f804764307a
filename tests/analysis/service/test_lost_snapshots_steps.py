"""What is parked, learnt again and made to agree after a start, piece by piece."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.trials import Trials
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.findings import Finding
from rushlight.analysis.service.answers import answer
from rushlight.analysis.service.lost_snapshots import park, relearn
from rushlight.analysis.service.open_alarms import harm_expected, open_occurrences
from rushlight.analysis.service.reconciliation import reconciled, silence_again
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import AlarmError, StoreError
from rushlight.collector.events import AlarmKey, Event
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings
from rushlight.collector.settings.tables import LOOK_BACK_DAYS
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry
from rushlight.collector.store.records import Request
from tests.analysis.notices.test_queue_safety import HOUR, MIN, NOON, event, refuse

DAY = 24 * HOUR
PARKED = "analysis-parked"
HOT: AlarmKey = ("alcove", "temperature-high", "")
SETTINGS = """
[tanks.alcove]
volume_litres = 30
timezone = "UTC"
[tanks.alcove.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as made:
        yield made


def watch() -> TankWatch:
    return TankWatch("alcove", parse_settings(SETTINGS).tanks["alcove"])


def raised_book(alarm: str = "co2-overdose", at_ms: int = NOON) -> tuple[AlarmBook, Event]:
    """A book with one alarm, which needs no time to be raised."""
    book = AlarmBook("alcove", "Alcove")
    (one,) = book.update([Finding(alarm=alarm, priority="high", time_left_s=600.0)], at_ms, at_ms)
    assert one.event == "raised"
    return book, one


def state_of(book: AlarmBook, alarm: str = "co2-overdose") -> str:
    return next((str(r.state) for key, r in book.records().items() if key[1] == alarm), "")


# -- parking -------------------------------------------------------------------------------------------


def test_a_snapshot_is_parked_while_its_tank_is_away_and_holds_nothing_back(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.add_readings([Reading("alcove", "ph", NOON, 6.8, 1, 1)])
    store.save_state(ANALYSIS_STATE, "alcove", b"learnt", store.position())
    store.save_state(ANALYSIS_STATE, "porch", b"other", store.position())
    park(store, {"alcove", "porch"})
    assert sorted(store.states(ANALYSIS_STATE)) == ["alcove", "porch"] and store.states(PARKED) == []
    refuse(store, monkeypatch, name="delete_state")
    with pytest.raises(StoreError):
        park(store, {"porch"})
    monkeypatch.undo()
    assert store.states(PARKED) == []  # never in both places
    park(store, {"porch"})
    assert store.states(ANALYSIS_STATE) == ["porch"] and store.states(PARKED) == ["alcove"]
    parked = store.load_state(PARKED, "alcove")
    assert parked is not None and parked[0] == b"learnt"
    # days behind it may be packed: it needs no reading in order of arrival
    store.add_readings([Reading("alcove", "ph", NOON + 1000, 6.8, 1, 2)])
    park(store, {"porch"})
    park(store, {"alcove", "porch"})
    assert store.load_state(ANALYSIS_STATE, "alcove") == (b"learnt", store.position())
    assert store.states(PARKED) == []


def test_what_is_parked_keeps_no_day_from_being_packed(store: EmbeddedStore) -> None:
    old = [Reading("alcove", "ph", NOON - 10 * DAY + n * MIN, 6.8, 1, n) for n in range(10)]
    store.add_readings(old[:1])
    store.save_state(ANALYSIS_STATE, "alcove", b"learnt", store.position())
    store.add_readings(old[1:])
    store.compact(NOON)
    assert store.load_state(ANALYSIS_STATE, "alcove") is not None
    in_order = len(list(store.arrivals_after(0)))
    park(store, set())
    store.compact(NOON)
    assert in_order == 10 and store._one("SELECT count(*) FROM readings")[0] == 0


# -- learning again ------------------------------------------------------------------------------------


def warm(number: int, first_ms: int = NOON) -> list[Reading]:
    return [Reading("alcove", "temperature", first_ms + n * MIN, 28.5, 1, n) for n in range(number)]


def test_it_looks_back_so_far_and_says_from_what_it_has_learnt(
    store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    now = NOON + DAY
    too_old = Reading("alcove", "temperature", now - LOOK_BACK_DAYS * DAY - 1, 20.0, 1, 1)
    stored = [
        Reading("alcove", "temperature", now - HOUR, 24.0, 1, 2),
        Reading("alcove", "temperature", now - 50 * MIN, 24.0, 1, 3),
        Reading("porch", "temperature", now - 2 * HOUR, 24.0, 1, 3),
    ]
    store.add_readings([too_old, *stored])
    fed: list[Reading] = []
    fresh = watch()
    feed = fresh.feed

    def feeding(reading: Reading, arrived_ms: int | None = None) -> list[Event]:
        fed.append(reading)
        return feed(reading, arrived_ms)

    fresh.feed = feeding  # type: ignore[method-assign]
    clock = iter((1000, 3500))
    assert relearn(fresh, b"rubbish", store, now, lambda: next(clock)) == []
    assert fed == stored[:2]
    assert "alcove: learnt again from 2 readings of the last 60 min, in 2.5 s" in caplog.text


def test_a_stored_reading_that_breaks_it_ends_the_learning_and_nothing_else(
    store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    store.add_readings(warm(9))
    fresh = watch()
    times: list[int] = []

    def broken(reading: Reading, arrived_ms: int | None = None) -> list[Event]:
        times.append(reading.time_ms)
        if len(times) == 3:
            raise ZeroDivisionError("a detector's own")
        return []

    fresh.feed = broken  # type: ignore[method-assign]
    book, _ = raised_book()
    blob = TankWatch.snapshot(watch(), book)
    relearn(fresh, blob, store, NOON + HOUR, lambda: NOON)
    assert len(times) == 3
    assert caplog.text.count("a stored reading broke the analysis") == 1
    assert state_of(fresh.book) == "unacknowledged"  # the alarms are as they were saved


def test_where_the_alarms_are_lost_too_they_are_those_of_the_readings(store: EmbeddedStore) -> None:
    """What is raised by them is raised, what is no longer active is ended, what a person did holds."""
    store.add_readings(warm(240))
    now = NOON + 240 * MIN
    for one in (event(alarm="co2-overdose"), event("priority-changed", NOON + MIN, alarm="co2-overdose")):
        store.add_event(one)
    until = utc_text(now + DAY)
    store.add_event(event("shelved", alarm="light-missing", actor="ann", until=until))
    fresh = watch()
    over, raised = relearn(fresh, b"rubbish", store, now, lambda: NOON)
    assert (over.alarm, over.event, over.time) == ("co2-overdose", "cleared", utc_text(now))
    assert over.time_left_s is None
    assert (raised.alarm, raised.event) == ("temperature-high", "raised")
    assert raised.occurrence in open_occurrences([fresh])
    assert state_of(fresh.book, "light-missing") == "shelved"


# -- agreeing ------------------------------------------------------------------------------------------


def test_only_what_is_open_on_one_side_alone_is_mended() -> None:
    book, active = raised_book()
    now = NOON + HOUR
    assert reconciled([active], book, {active.occurrence: active}, now) == []
    assert reconciled([], book, {active.occurrence: active}, now) == [active]
    assert reconciled([], book, {}, now) == []
    gone = event()
    assert reconciled([], book, {gone.occurrence: gone}, now) == []  # raised and over within the readings
    (over,) = reconciled([gone, active], book, {}, now)
    assert (over.event, over.occurrence, over.time) == ("cleared", gone.occurrence, utc_text(now))
    assert over.summary == "Over or raised anew: temperature-high"
    assert reconciled([gone, event("cleared", NOON + MIN), active], book, {}, now) == []
    assert reconciled([event(test=True), active], book, {}, now) == []  # a test ends by itself
    acknowledged = event("acknowledged", NOON + MIN)
    assert [e.event for e in reconciled([gone, acknowledged, active], book, {}, now)] == ["cleared"]
    assert reconciled([acknowledged, active], book, {}, now) == []


def silenced(*stored: Event) -> AlarmBook:
    book, active = raised_book()
    events = [active, *stored]
    silence_again(events, book, NOON + HOUR)
    return book


def answered(kind: Any, at_ms: int, **more: Any) -> Event:
    return event(kind, at_ms, alarm="co2-overdose", actor="ann", **more)


def test_an_answer_is_given_again_and_by_whom() -> None:
    assert state_of(silenced()) == "unacknowledged"
    assert state_of(silenced(answered("acknowledged", NOON + MIN))) == "acknowledged"
    assert state_of(silenced(answered("acknowledged", NOON + MIN, test=True))) == "unacknowledged"
    higher = answered("priority-changed", NOON + 2 * MIN)
    assert state_of(silenced(answered("acknowledged", NOON + MIN), higher)) == "unacknowledged"
    assert state_of(silenced(higher, answered("acknowledged", NOON + 3 * MIN))) == "acknowledged"
    elsewhere = answered("acknowledged", NOON + MIN, began_ms=NOON - DAY)
    assert state_of(silenced(elsewhere)) == "unacknowledged"  # of an earlier raising
    # an alarm that is over is not answered
    book, active = raised_book()
    book.update([], NOON + 1000, NOON + 1000)
    book.update([], NOON + DAY, NOON + DAY)
    before = state_of(book)
    silence_again([active, answered("acknowledged", NOON + MIN)], book, NOON + DAY)
    assert state_of(book) == before != "unacknowledged"


@pytest.mark.parametrize(
    ("until_ms", "state"), [(HOUR + 1, "shelved"), (HOUR, "unacknowledged"), (MIN, "unacknowledged")]
)
def test_a_shelf_holds_until_its_own_end(until_ms: int, state: str) -> None:
    shelf = answered("shelved", NOON, until=utc_text(NOON + until_ms))
    book = silenced(shelf)
    assert state_of(book) == state
    if state == "shelved":
        (record,) = book.records().values()
        assert record.shelf_end_ms == NOON + until_ms
    assert state_of(silenced(shelf, answered("unshelved", NOON + 1000))) == "unacknowledged"
    assert state_of(silenced(answered("unshelved", NOON - 1000), shelf)) == state


def test_what_was_taken_out_of_service_stays_out() -> None:
    out = answered("shelved", NOON)
    assert state_of(silenced(out)) == "out of service"
    assert state_of(silenced(out, answered("unshelved", NOON + 1000))) == "unacknowledged"
    # and keeps no other from being done again
    later = event("shelved", NOON, alarm="light-missing", actor="ann", until=utc_text(NOON + DAY))
    book = silenced(out, later)
    assert (state_of(book), state_of(book, "light-missing")) == ("out of service", "shelved")
    ended = event("unshelved", NOON, alarm="light-missing")
    book = silenced(event("shelved", NOON, alarm="ph-out-of-range", until=utc_text(NOON + DAY)), ended)
    assert state_of(book, "ph-out-of-range") == "shelved"


# -- what is open --------------------------------------------------------------------------------------


def test_harm_is_expected_of_what_is_active_and_has_a_time() -> None:
    one, none = watch(), watch()
    one.book, active = raised_book()
    assert list(harm_expected([none, one])) == [(active.occurrence, NOON + 600_000)]
    assert open_occurrences([none, one]) == [active.occurrence]
    one.book.update([Finding(alarm="co2-overdose", priority="high", time_left_s=0.5)], NOON + MIN, NOON + MIN)
    assert list(harm_expected([one])) == [(active.occurrence, NOON + MIN + 500)]
    one.book.update([Finding(alarm="co2-overdose", priority="high")], NOON + 2 * MIN, NOON + 2 * MIN)
    assert list(harm_expected([one])) == []
    assert open_occurrences([one]) == [active.occurrence]
    for at in (3, 24 * 60):
        one.book.update([], NOON + at * MIN, NOON + at * MIN)
    assert open_occurrences([one]) == [] and list(harm_expected([one])) == []


# -- answers -------------------------------------------------------------------------------------------


def ask(kind: str, alarm: str = "co2-overdose", **arguments: Any) -> Request:
    return Request(
        id=1, kind=kind, tank="alcove", alarm=alarm, quantity="", arguments=arguments, actor="ann",
        created_ms=NOON, outcome=None, closed_ms=None,
    )  # fmt: skip


def test_a_test_and_a_real_alarm_are_answered_together_or_by_their_id() -> None:
    one = watch()
    one.book, active = raised_book()
    trials = Trials()
    (trial,), name = trials.begin(ask("try"), "Alcove", NOON)
    events, words = answer(trials, one, ask("acknowledge"), NOON + MIN)
    assert [e.occurrence for e in events] == [active.occurrence, name]
    assert words == f"alcove/co2-overdose acknowledged; {name} acknowledged"
    # the test alone by its id, also where the real one is active
    one.book, active = raised_book()
    trials = Trials()
    (trial,), name = trials.begin(ask("try"), "Alcove", NOON)
    events, words = answer(trials, one, ask("acknowledge", occurrence=name), NOON + MIN)
    assert [e.occurrence for e in events] == [trial.occurrence] and words == f"{name} acknowledged"
    assert state_of(one.book) == "unacknowledged"
    # and where only the test is there
    one.book = AlarmBook("alcove", "Alcove")
    events, words = answer(trials, one, ask("acknowledge"), NOON + 2 * MIN)
    assert events == [] and words == f"{name} was acknowledged already"
    with pytest.raises(AlarmError, match="ends by itself"):
        answer(trials, one, ask("shelve", occurrence=name, for_ms=HOUR), NOON + 2 * MIN)
    with pytest.raises(AlarmError):
        answer(Trials(), one, ask("acknowledge"), NOON + 2 * MIN)
    with pytest.raises(AlarmError):
        answer(Trials(), one, ask("acknowledge", occurrence=name), NOON + 2 * MIN)
    events, words = answer(trials, one, ask("shelve", for_ms=HOUR), NOON + 2 * MIN)
    assert [e.event for e in events] == ["shelved"] and "shelved until" in words


def test_a_tank_that_is_learnt_again_knows_the_keepers_log_before_its_readings(store: EmbeddedStore) -> None:
    """A test of hardness and a calibration count for the readings that are behind them."""
    store.add_log(LogEntry(tank="alcove", time_ms=NOON - HOUR, tests={"kh": 5.0}), "keeper", NOON - HOUR)
    store.add_readings([Reading("alcove", "temperature", NOON + n * MIN, 24.0, 1, n) for n in range(3)])
    fresh, seen = watch(), list[int]()
    feed = fresh.feed

    def feeding(reading: Reading, arrived_ms: int | None = None) -> list[Event]:
        seen.append(fresh.state.log.seen)
        return feed(reading, arrived_ms)

    fresh.feed = feeding  # type: ignore[method-assign]
    relearn(fresh, b"none", store, NOON + HOUR, lambda: NOON)
    assert seen == [1, 1, 1]
