"""What goes into the outbox, and when it is due, at the places where a small fault would lose or delay it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.notices.memory import OWN
from rushlight.analysis.notices.queue import QUIET, STORM_MS, NoticeQueue
from rushlight.analysis.notices.wording import Text, milliseconds
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event, EventKind, Priority
from rushlight.collector.settings import NoticeSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import Notice

MIN = 60_000
HOUR = 60 * MIN
NIGHT = 1_772_330_400_000  # 2026-03-01T02:00Z
MORNING = NIGHT + 5 * HOUR
NOON = NIGHT + 10 * HOUR
RESEND = 15 * MIN  # the contract's resend_min = 15
AT_NIGHT = NoticeSettings(quiet_from="23:00", quiet_to="07:00", quiet_timezone="UTC")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as made:
        yield made


def queue(*targets: str, settings: NoticeSettings | None = None) -> NoticeQueue:
    return NoticeQueue(settings or NoticeSettings(), targets or ("a",), "UTC")


def event(
    kind: EventKind = "raised",
    at_ms: int = NOON,
    *,
    alarm: str = "temperature-high",
    began_ms: int = NOON,
    priority: Priority = "high",
    summary: str = "",
    **more: Any,
) -> Event:
    name = f"alcove/{alarm}/{utc_text(began_ms)}"
    return Event(
        time=utc_text(at_ms), tank="alcove", alarm=alarm, event=kind, priority=priority,
        summary=summary or alarm, detail="", cautions=[], occurrence=name, **more,
    )  # fmt: skip


def asks(notices: NoticeQueue, store: EmbeddedStore, *events: Event, now_ms: int | None = None) -> list[int]:
    """Each event kept with what it calls for, as of its own time; how many notices each has called for."""
    found = []
    for one in events:
        at_ms = milliseconds(one.time) if now_ms is None else now_ms
        with store.transaction():
            assert store.add_event(one)
            found.append(notices.queue_for(one, store, at_ms))
    return found


def waiting(store: EmbeddedStore) -> list[tuple[str, str, int, int]]:
    return [(n.transition, n.target, n.number, n.next_attempt_ms) for n in store.pending_notices()]


def refuse(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch, after: int = 0, name: str = "queue_notice"
) -> None:
    """The disk is full from the so manieth notice on."""
    real, calls = getattr(store, name), [0]

    def refusing(*args: Any, **more: Any) -> Any:
        calls[0] += 1
        if calls[0] > after:
            raise StoreError("no room")
        return real(*args, **more)

    monkeypatch.setattr(store, name, refusing)


# -- one event -----------------------------------------------------------------------------------------


def test_each_event_calls_for_as_many_notices_as_it_says(store: EmbeddedStore) -> None:
    notices = queue("a", "b")
    assert asks(notices, store, event()) == [2]
    assert waiting(store) == [("raised", "a", 0, NOON), ("raised", "b", 0, NOON)]
    changed = event("priority-changed", NOON + MIN, priority="critical")
    assert asks(notices, store, changed) == [2]
    # what waited is out of date by it
    name = f"priority-changed {utc_text(NOON + MIN)}"
    assert waiting(store) == [(name, "a", 0, NOON + MIN), (name, "b", 0, NOON + MIN)]
    assert asks(notices, store, event("acknowledged", NOON + 2 * MIN, priority="critical")) == [0]
    assert waiting(store) == []
    # less urgent than it was, and somebody knows of it: no notice
    assert asks(notices, store, event("priority-changed", NOON + 3 * MIN)) == [0]
    assert waiting(store) == []
    # that it is over is sent all the same
    assert asks(notices, store, event("cleared", NOON + 4 * MIN)) == [2]
    assert waiting(store) == [("cleared", "a", 0, NOON + 4 * MIN), ("cleared", "b", 0, NOON + 4 * MIN)]


def test_what_a_person_has_put_aside_is_not_sent_and_the_end_of_that_takes_nothing_back(
    store: EmbeddedStore,
) -> None:
    notices = queue()
    assert asks(notices, store, event(), event("shelved", NOON + MIN)) == [1, 0]
    assert waiting(store) == []
    higher = event("priority-changed", NOON + 2 * MIN, priority="critical")
    assert asks(notices, store, higher, event("cleared", NOON + 3 * MIN)) == [0, 0]
    assert waiting(store) == []
    # another raising of it, and the shelf ends
    again = event(at_ms=NOON + HOUR, began_ms=NOON + HOUR)
    assert asks(notices, store, again) == [1]
    assert asks(notices, store, event("unshelved", NOON + HOUR + MIN, began_ms=NOON + HOUR)) == [0]
    assert waiting(store) == [("raised", "a", 0, NOON + HOUR)]


def test_what_cannot_be_queued_takes_nothing_away(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All targets or none, and what waited goes only together with what comes in its place."""
    notices = queue("a", "b")
    asks(notices, store, event())
    before = waiting(store)
    for after in (0, 1):
        refuse(store, monkeypatch, after)
        with pytest.raises(StoreError):
            notices.queue_for(event("cleared", NOON + MIN), store, NOON + MIN)
        monkeypatch.undo()
        assert waiting(store) == before
        refuse(store, monkeypatch, after)
        with pytest.raises(StoreError):
            notices.queue_test(store, NOON + MIN)
        monkeypatch.undo()
        assert waiting(store) == before
    assert notices.queue_test(store, NOON + MIN) == 2
    assert notices.queue_for(event("cleared", NOON + MIN), store, NOON + MIN) == 2
    assert [n[0] for n in waiting(store)] == ["test", "test", "cleared", "cleared"]


# -- reminders -----------------------------------------------------------------------------------------


def taken(notices: NoticeQueue, store: EmbeddedStore, now_ms: int, *standing: str) -> None:
    """The target takes the oldest notice."""
    first = store.pending_notices()[0]
    with store.transaction():
        store.notice_delivered(first.id, now_ms)
        notices.queue_reminder(store, first, now_ms, standing)


def test_what_is_high_is_said_again_until_it_is_answered(store: EmbeddedStore) -> None:
    notices = queue()
    asks(notices, store, event())
    taken(notices, store, NOON + 1000)
    assert waiting(store) == [("raised", "a", 1, NOON + 1000 + RESEND)]
    taken(notices, store, NOON + 1000 + RESEND)
    assert waiting(store) == [("raised", "a", 2, NOON + 1000 + 2 * RESEND)]
    asks(notices, store, event("cleared", NOON + HOUR))
    taken(notices, store, NOON + HOUR)
    assert waiting(store) == []
    asks(notices, store, event(alarm="light-dimming", priority="medium"))
    taken(notices, store, NOON)
    assert waiting(store) == []


def test_no_reminder_follows_an_answer_that_came_while_a_notice_was_on_its_way(store: EmbeddedStore) -> None:
    notices = queue()
    asks(notices, store, event())
    (first,) = store.pending_notices()
    asks(notices, store, event("acknowledged", NOON + MIN))
    notices.queue_reminder(store, first, NOON + MIN)
    assert waiting(store) == []
    higher = event("priority-changed", NOON + 2 * MIN, priority="critical")
    asks(notices, store, higher)
    notices.queue_reminder(store, first, NOON + 2 * MIN)  # the news has its own reminders
    assert [(n.transition, n.number) for n in store.pending_notices()] == [
        (f"priority-changed {higher.time}", 0)
    ]


def test_a_reminder_of_what_may_wait_is_not_for_the_night(store: EmbeddedStore) -> None:
    notices = queue(settings=AT_NIGHT)
    late = NIGHT + 20 * HOUR + 50 * MIN  # 22:50: the reminder would come at 23:05
    asks(notices, store, event(alarm="light-missing", at_ms=late, began_ms=late))
    taken(notices, store, late)
    assert waiting(store) == [("raised", "a", 1, MORNING + 24 * HOUR)]
    asks(notices, store, event(at_ms=late, began_ms=late))  # too warm can't wait
    store.cancel_notices(f"alcove/light-missing/{utc_text(late)}")
    taken(notices, store, late)
    assert waiting(store) == [("raised", "a", 1, late + RESEND)]


def test_what_rushlight_says_of_itself_and_tests_wait_for_no_morning(store: EmbeddedStore) -> None:
    """Somebody is beside a test and wants to see its reminder; what fails at night is nobody's to hide."""
    notices = queue(settings=AT_NIGHT)
    own = f"{OWN}readings-not-kept/x"
    assert notices.queue_own(store, own, "raised", Text("t", "b"), NIGHT) == 1
    trial = event(alarm="light-missing", at_ms=NIGHT, began_ms=NIGHT, test=True)
    assert asks(notices, store, trial) == [1]
    assert waiting(store) == [("raised", "a", 0, NIGHT), ("test", "a", 0, NIGHT)]
    assert notices.asleep(store, store.pending_notices(), NIGHT) == {}
    taken(notices, store, NIGHT, own)
    taken(notices, store, NIGHT)
    assert waiting(store) == [("raised", "a", 1, NIGHT + RESEND), ("test", "a", 1, NIGHT + RESEND)]
    # the twin: a real one of the same kind does wait, also where failing has pushed it into the night
    asks(notices, store, event(alarm="light-missing", at_ms=NIGHT - 4 * HOUR, began_ms=NIGHT - 4 * HOUR))
    (real,) = [n for n in store.pending_notices() if n.number == 0]
    assert real.next_attempt_ms == NIGHT - 4 * HOUR
    assert notices.asleep(store, store.pending_notices(), NIGHT) == {real.id: MORNING}
    assert notices.asleep(store, store.pending_notices(), MORNING) == {}


def test_what_is_over_about_rushlight_itself_is_not_said_again(store: EmbeddedStore) -> None:
    notices = queue()
    own = f"{OWN}readings-not-kept/x"
    notices.queue_own(store, own, "raised", Text("t", "b"), NOON)
    (first,) = store.pending_notices()
    notices.queue_reminder(store, first, NOON)
    assert [n.number for n in store.pending_notices()] == [0]
    notices.queue_reminder(store, first, NOON, {own})
    assert [n.number for n in store.pending_notices()] == [0, 1]


# -- targets that come and go --------------------------------------------------------------------------


def test_a_new_target_gets_what_is_active_as_its_first_notice(store: EmbeddedStore) -> None:
    """Its number is kept for as long as the alarm is: a reminder's is not, and it would be sent again."""
    name = event().occurrence
    asks(queue("a"), store, event())
    asks(queue("a"), store, event("priority-changed", NOON + MIN, priority="critical"))
    both = queue("a", "b")
    assert both.queue_missing(store, name, NOON + 2 * MIN) == 1
    changed = f"priority-changed {utc_text(NOON + MIN)}"
    assert waiting(store) == [(changed, "a", 0, NOON + MIN), (changed, "b", 0, NOON + 2 * MIN)]
    assert store.pending_notices()[1].priority == "critical"
    assert both.queue_missing(store, name, NOON + 2 * MIN) == 0
    asks(both, store, event("acknowledged", NOON + 3 * MIN, priority="critical"))
    assert queue("c").queue_missing(store, name, NOON + 4 * MIN) == 0
    assert waiting(store) == []


def test_an_alarm_whose_events_are_gone_asks_for_nobody(store: EmbeddedStore) -> None:
    """As where an old copy of the store was put in the place of it."""
    notices = queue()
    asks(notices, store, event())
    (one,) = store.pending_notices()
    assert notices.still_asks(store, one)
    gone = one._replace(occurrence="alcove/co2-overdose/x")
    assert not notices.still_asks(store, gone)
    assert notices.queue_missing(store, gone.occurrence, NOON) == 0


def test_a_new_target_is_not_woken_for_what_may_wait(store: EmbeddedStore) -> None:
    early = NIGHT - 4 * HOUR
    asks(queue("a"), store, event(alarm="light-missing", at_ms=early, began_ms=early))
    name = event(alarm="light-missing", began_ms=early).occurrence
    assert queue("a", "b", settings=AT_NIGHT).queue_missing(store, name, NIGHT) == 1
    assert waiting(store) == [("raised", "a", 0, early), ("raised", "b", 0, MORNING)]


def test_what_a_target_had_not_goes_to_those_that_are_there_or_stays(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    asks(queue("gone"), store, event())
    (left,) = store.pending_notices()
    there = queue("a", "b")
    for name in ("queue_notice", "notice_failed"):
        refuse(store, monkeypatch, name=name)
        with pytest.raises(StoreError):
            there.hand_over([left], NOON + MIN, store)
        monkeypatch.undo()
        assert store.pending_notices() == [left]
    there.hand_over([left], NOON + MIN, store)
    assert [(n.target, n.number) for n in store.due_notices(NOON + HOUR)] == [("a", 0), ("b", 0)]


# -- what waits for the morning and can't --------------------------------------------------------------

COLD = "alcove/temperature-low/x"


def cold(store: EmbeddedStore, occurrence: str = COLD, **more: Any) -> Notice:
    known: dict[str, Any] = {"transition": "raised", "target": "a", "title": "t", "body": "b"}
    known |= {"priority": "medium", "created_ms": NIGHT, "not_before_ms": MORNING}
    assert store.queue_notice(occurrence=occurrence, **(known | more))
    return store.pending_notices()[-1]


def test_what_has_become_urgent_is_due_and_nothing_else_is(store: EmbeddedStore) -> None:
    notices = queue(settings=AT_NIGHT)
    assert notices.urgent(store, NIGHT) == []  # the first look is at all that waits
    sleeps = cold(store)
    assert notices.urgent(store, NIGHT) == []
    notices.harm_expected({COLD: MORNING + 2 * HOUR})
    assert notices.urgent(store, NIGHT) == []
    notices.harm_expected({COLD: MORNING})
    assert notices.urgent(store, NIGHT) == [sleeps]
    notices.harm_expected({"alcove/temperature-low/y": MORNING})
    assert notices.urgent(store, NIGHT) == []
    notices.harm_expected({COLD: MORNING})
    assert notices.urgent(store, MORNING - 1) == [sleeps]
    assert notices.urgent(store, MORNING) == []  # it is due by itself


def test_at_first_all_that_waits_for_the_morning_is_looked_at_and_nothing_else(store: EmbeddedStore) -> None:
    may_wait = cold(store, "alcove/light-missing/x")
    assert queue(settings=AT_NIGHT).urgent(store, NIGHT) == []  # quiet hours as they were
    for_target = cold(store, "alcove/light-missing/y", not_before_ms=0)
    store.notice_failed(for_target.id, MORNING, "not taken by its target")
    cold(store, "alcove/light-missing/z", not_before_ms=NIGHT + STORM_MS)
    cold(store, "alcove/co2-overdose/x", number=1, created_ms=NIGHT - RESEND + 1)
    fresh = queue()
    assert fresh.urgent(store, NIGHT) == [may_wait]  # there are none any more
    assert fresh.urgent(store, NIGHT) == []


def test_what_waits_for_its_target_is_not_made_due_by_the_harm(store: EmbeddedStore) -> None:
    """Else a target that fails would be tried in each round."""
    notices = queue(settings=AT_NIGHT)
    notices.harm_expected({COLD: MORNING})
    failed = cold(store, not_before_ms=0)
    store.notice_failed(failed.id, NIGHT + 10 * MIN, "not taken by its target")
    assert notices.urgent(store, NIGHT) == []
    store.notice_failed(failed.id, MORNING, QUIET)
    assert [n.id for n in notices.urgent(store, NIGHT)] == [failed.id]
    assert notices.urgent(store, MORNING) == []
    store.cancel_notices(COLD)
    woken = cold(store, "alcove/temperature-low/y")
    notices.harm_expected({woken.occurrence: MORNING + 2 * HOUR})
    store.notice_failed(woken.id, MORNING + MIN, "not taken by its target")
    assert notices.urgent(store, MORNING) == []


def test_a_reminder_is_not_made_due_before_its_time(store: EmbeddedStore) -> None:
    notices = queue(settings=AT_NIGHT)
    notices.harm_expected({COLD: MORNING})
    again = cold(store, number=1)
    assert notices.urgent(store, NIGHT + RESEND - 1) == []
    assert notices.urgent(store, NIGHT + RESEND) == [again]


def test_what_a_storm_gathers_is_not_made_due_by_another_ones_harm(store: EmbeddedStore) -> None:
    notices = queue(settings=AT_NIGHT)
    notices.harm_expected({COLD: NOON + HOUR})
    cold(store, "alcove/light-missing/x", created_ms=NOON, not_before_ms=NOON + MIN)
    assert notices.urgent(store, NOON) == []
    gathered = cold(store, created_ms=NOON, not_before_ms=NOON + MIN)
    assert notices.urgent(store, NOON) == [gathered]


# -- storms --------------------------------------------------------------------------------------------


def third(store: EmbeddedStore, first_ms: int, second_ms: int, **more: Any) -> int:
    """For how long the third alarm of these waits."""
    notices = queue()
    for at_ms, alarm in ((first_ms, "light-missing"), (second_ms, "light-dimming")):
        asks(notices, store, event(at_ms=at_ms, began_ms=at_ms, alarm=alarm), now_ms=NOON)
    one = event(**more)
    asks(notices, store, one, now_ms=NOON)
    (row,) = store.notices(one.occurrence)
    return row.next_attempt_ms - NOON


def test_the_third_alarm_of_a_storm_waits_for_the_rest_of_it(store: EmbeddedStore) -> None:
    assert third(store, NOON - 90_000, NOON - 1000) == STORM_MS - 90_000


@pytest.mark.parametrize(
    ("first_ms", "second_ms", "more"),
    [
        (NOON - STORM_MS - 1, NOON - 1000, {}),
        (NOON - 90_000, NOON - 999, {}),
        (NOON - 90_000, NOON - 1000, {"time_left_s": 599.0}),
        (NOON - 90_000, NOON - 1000, {"priority": "critical"}),
        (NOON - 90_000, NOON - 1000, {"test": True}),
        (NOON + STORM_MS, NOON + STORM_MS, {}),
    ],
    ids=["long ago", "of this moment", "little time", "critical", "a test", "a clock that was ahead"],
)
def test_what_is_no_storm_does_not_wait(
    store: EmbeddedStore, first_ms: int, second_ms: int, more: dict[str, Any]
) -> None:
    assert third(store, first_ms, second_ms, **more) == 0


def test_with_ten_minutes_left_it_may_wait_two(store: EmbeddedStore) -> None:
    assert third(store, NOON - 90_000, NOON - 1000, time_left_s=600.0) == STORM_MS - 90_000


def test_neither_tests_nor_what_is_over_make_a_storm(store: EmbeddedStore) -> None:
    notices = queue()
    for n, alarm in enumerate(("light-missing", "light-dimming")):
        at_ms = NOON - 90_000 + n * 30_000
        asks(notices, store, event(at_ms=at_ms, began_ms=at_ms, alarm=alarm, test=True))
    old = NOON - HOUR
    for n, alarm in enumerate(("light-stuck-on", "co2-absent")):
        asks(notices, store, event(at_ms=old + n * 1800, began_ms=old, alarm=alarm))
        at_ms = NOON - 30_000 + n * 1800
        asks(notices, store, event("cleared", at_ms=at_ms, began_ms=old, alarm=alarm))
    asks(notices, store, event())
    (row,) = store.notices(event().occurrence)
    assert row.next_attempt_ms == NOON
