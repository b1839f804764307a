"""Notices that can't be written: in memory, and then in the store, each as it has become by then."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from rushlight.analysis.notices.memory import OWN, Held, MemoryOutbox, NoticeMemory, key_of
from rushlight.analysis.notices.queue import NoticeQueue
from rushlight.analysis.notices.store_or_memory import NoticeKeeping
from rushlight.analysis.notices.wording import Text
from rushlight.collector.events import Event
from rushlight.collector.settings import NoticeSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import Notice
from tests.analysis.notices.test_queue_safety import HOUR, MIN, NOON, RESEND, event, refuse

HOT = event().occurrence
OWN_ONE = f"{OWN}readings-not-kept/x"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as made:
        yield made


@pytest.fixture
def keeping() -> NoticeKeeping:
    return NoticeKeeping(NoticeQueue(NoticeSettings(), ["a", "b"], "UTC"), lambda: NOON)


def notice(occurrence: str = HOT, number: int = 0, **more: Any) -> Notice:
    known: dict[str, Any] = {"transition": "raised", "target": "a", "title": "t", "body": "b"}
    known |= {"priority": "high", "not_before_ms": 0, "created_ms": NOON, "attempts": 0}
    known |= {"next_attempt_ms": NOON, "delivered_ms": None, "error": "", "id": 0}
    return Notice(occurrence=occurrence, number=number, **(known | more))


def queue(outbox: Any, occurrence: str = HOT, **more: Any) -> bool:
    known: dict[str, Any] = {"transition": "raised", "target": "a", "title": "t", "body": "b"}
    known |= {"priority": "high", "created_ms": NOON}
    return bool(outbox.queue_notice(occurrence=occurrence, **(known | more)))


# -- memory --------------------------------------------------------------------------------------------

CALLS: dict[str, Callable[[NoticeMemory], object]] = {
    "hold_event": lambda memory: memory.hold_event(event()),
    "events": lambda memory: memory.events(),
    "held": lambda memory: memory.held(),
    "put": lambda memory: memory.put(notice()),
    "put_new": lambda memory: memory.put_new(notice()),
    "change": lambda memory: memory.change(notice(), lambda n: n),
    "forget": lambda memory: memory.forget({}),
}


@pytest.mark.parametrize("name", CALLS)
def test_service_and_sender_take_turns(name: str) -> None:
    memory = NoticeMemory()
    memory._lock.acquire()
    thread = threading.Thread(target=CALLS[name], args=(memory,), daemon=True)
    thread.start()
    thread.join(0.05)
    assert thread.is_alive()
    memory._lock.release()
    thread.join(10)
    assert not thread.is_alive()


def test_what_was_written_is_forgotten_and_what_has_changed_since_stays() -> None:
    memory = NoticeMemory()
    memory.put(notice(target="a"))
    memory.put(notice(target="b"), cancelled=True)
    first, second = event(), event("acknowledged", NOON + MIN)
    memory.hold_event(first)
    written = memory.held(), memory.events()
    memory.hold_event(second)
    memory.change(notice(target="a"), lambda n: n._replace(attempts=1))
    memory.forget(*written)
    assert [held.notice.attempts for held in memory.held().values()] == [1]
    assert memory.events() == [second] and memory.holds_events
    memory.forget(memory.held(), [second])
    assert len(memory) == 0 and not memory.holds_events


def test_what_was_cancelled_stays_so_and_waits_no_more() -> None:
    memory = NoticeMemory()
    memory.change(notice(), lambda n: n, cancelled=True)
    memory.change(notice(), lambda n: n._replace(attempts=1))
    (held,) = memory.held().values()
    assert (held.cancelled, held.open, held.notice.attempts) == (True, False, 1)
    assert Held(notice()).open
    assert not Held(notice(delivered_ms=NOON)).open
    assert not Held(notice(delivered_ms=NOON), cancelled=True).open


# -- the outbox of store and memory --------------------------------------------------------------------


def test_a_notice_in_memory_is_as_it_would_be_in_the_store(store: EmbeddedStore) -> None:
    outbox = MemoryOutbox(NoticeMemory(), store)
    for later in (0, HOUR):
        target = f"t{later}"
        assert queue(outbox, target=target, not_before_ms=NOON + later) is True
        assert queue(outbox, target=target) is False
        assert queue(store, "alcove/x/y", target=target, not_before_ms=NOON + later)
    held, stored = outbox.notices(HOT), store.notices("alcove/x/y")
    assert [n._replace(id=0, occurrence="") for n in held] == [
        n._replace(id=0, occurrence="") for n in stored
    ]
    assert len({n.id for n in held}) == 2 and all(n.id < 0 for n in held)
    # what the store has is not put beside it
    assert queue(outbox, "alcove/x/y", target="t0") is False
    assert [n.target for n in outbox.due_notices(NOON) if n.occurrence == HOT] == ["t0"]
    assert [n.target for n in outbox.due_notices(NOON - 1)] == []
    assert len(outbox.due_notices(NOON + HOUR, 3)) == 3


def test_the_urgent_is_first_and_the_older_of_the_same(store: EmbeddedStore) -> None:
    outbox = MemoryOutbox(NoticeMemory(), store)
    queue(outbox, "alcove/a/1", created_ms=NOON - 1)
    queue(store, "alcove/b/1", created_ms=NOON - 3, priority="low")
    queue(outbox, "alcove/c/1", priority="critical")
    queue(store, "alcove/d/1", created_ms=NOON - 2)
    assert [n.occurrence[7] for n in outbox.due_notices(NOON)] == ["c", "d", "a", "b"]


@pytest.mark.parametrize("where", ["store", "memory"])
def test_what_becomes_of_a_notice_is_counted_once(store: EmbeddedStore, where: str) -> None:
    memory = NoticeMemory()
    outbox = MemoryOutbox(memory, store)
    queue(store if where == "store" else outbox)
    (one,) = outbox.pending_notices()
    outbox.notice_failed(one.id, NOON + MIN, "x" * 501)
    (failed,) = outbox.pending_notices()
    assert failed == one._replace(attempts=1, next_attempt_ms=NOON + MIN, error="x" * 500)
    assert outbox.due_notices(NOON) == []
    outbox.notice_delivered(one.id, NOON + MIN)
    assert outbox.pending_notices() == []
    assert outbox.notices(HOT) == [failed._replace(attempts=2, delivered_ms=NOON + MIN, error="")]
    assert outbox.notices("alcove/other/1") == []
    assert outbox.targets_with_word(HOT) == {"a"} and outbox.targets_with_word("alcove/other/1") == set()


def test_only_what_waits_about_one_alarm_is_cancelled(store: EmbeddedStore) -> None:
    outbox = MemoryOutbox(NoticeMemory(), store)
    queue(store)
    queue(outbox, target="b")
    queue(outbox, "alcove/other/1")
    assert outbox.cancel_notices(HOT) == 2
    assert [n.occurrence for n in outbox.pending_notices()] == ["alcove/other/1"]
    assert outbox.cancel_notices(HOT) == 0
    outbox.keep_notice(notice("alcove/other/1"), True)
    assert outbox.pending_notices() == []


def test_events_of_store_and_memory_are_seen_as_one(store: EmbeddedStore) -> None:
    memory = NoticeMemory()
    outbox = MemoryOutbox(memory, store)
    stored, both = event(), event("acknowledged", NOON + MIN)
    held, other = event("cleared", NOON + 2 * MIN), event(at_ms=NOON + HOUR, alarm="light-missing")
    elsewhere = event(at_ms=NOON + HOUR, began_ms=NOON + HOUR)
    elsewhere.tank = "porch"
    for one in (stored, both):
        store.add_event(one)
    for one in (both, held, other, elsewhere):
        memory.hold_event(one)
    assert outbox.events() == [stored, both, held, other, elsewhere]
    assert outbox.events(occurrence=HOT) == [stored, both, held]
    assert outbox.events(tank="porch") == [elsewhere]
    assert outbox.events(since_ms=NOON + 2 * MIN) == [held, other, elsewhere]
    assert outbox.events(since_ms=NOON + 2 * MIN + 1) == [other, elsewhere]
    assert outbox.events(limit=2) == [other, elsewhere]


def test_a_store_that_cannot_be_read_is_left_out_and_said(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    memory = NoticeMemory()
    outbox = MemoryOutbox(memory, store, lambda error: said.append(str(error)))
    queue(store)
    memory.put_new(notice(target="b"))
    for name in ("targets_with_word", "pending_notices"):
        refuse(store, monkeypatch, name=name)
    assert outbox.targets_with_word(HOT) == {"b"}
    assert [n.target for n in outbox.pending_notices()] == ["b"]
    assert said == ["no room", "no room"]
    assert MemoryOutbox(memory, store).targets_with_word(HOT) == {"b"}  # nobody to say it to
    without = MemoryOutbox(memory, None)
    assert without.targets_with_word(HOT) == {"b"} and without.events() == []
    monkeypatch.undo()
    assert outbox.targets_with_word(HOT) == {"a", "b"}


# -- keeping -------------------------------------------------------------------------------------------


def test_an_event_is_held_once_with_what_it_calls_for(keeping: NoticeKeeping, store: EmbeddedStore) -> None:
    assert not keeping.holding
    keeping.hold(event(), store, NOON)
    keeping.hold(event(), store, NOON)
    keeping.hold(event("acknowledged", NOON + MIN), store, NOON + MIN)
    assert [e.event for e in keeping.outbox(store).events()] == ["raised", "acknowledged"]
    assert [n.target for n in keeping.outbox(store).notices(HOT)] == ["a", "b"]
    assert keeping.outbox(store).pending_notices() == []
    # one that the store has already, as where only its notices could not be written
    store.add_event(event(at_ms=NOON + HOUR, began_ms=NOON + HOUR))
    keeping.hold(event(at_ms=NOON + HOUR, began_ms=NOON + HOUR), store, NOON + HOUR)
    assert len(keeping.outbox(None).events()) == 2
    for one in keeping.outbox(None).events():
        store.add_event(one)
    keeping.keep_held(store)
    assert keeping.holding  # not on the disk yet
    keeping.kept_held()
    assert not keeping.holding and len(store.notices(HOT)) == 2
    assert store.pending_notices() == []
    # a second "kept" says nothing of what came between
    keeping.hold(event(at_ms=NOON + 2 * HOUR, began_ms=NOON + 2 * HOUR), store, NOON + 2 * HOUR)
    keeping.kept_held()
    assert len(keeping.outbox(None).pending_notices()) == 2


def held_in(keeping: NoticeKeeping, *notices: Notice) -> None:
    for one in notices:
        keeping.outbox(None).keep_notice(one, False)


def test_of_what_is_written_back_only_reminders_may_have_been_answered(
    keeping: NoticeKeeping, store: EmbeddedStore
) -> None:
    store.add_event(event())
    store.add_event(event("acknowledged", NOON + MIN))
    held_in(
        keeping,
        notice(number=1),
        notice(number=2, target="b"),
        notice(number=1, target="c", delivered_ms=NOON),
        notice(transition="cleared"),  # the news that it is over goes out all the same
        notice(OWN_ONE, 1, transition="raised"),
        notice(OWN_ONE, 2, transition="raised", target="b"),
    )
    keeping.write_back(store)
    assert not keeping.holding
    assert [(n.occurrence, n.transition, n.number) for n in store.pending_notices()] == [
        (HOT, "cleared", 0),
        (OWN_ONE, "raised", 1),
        (OWN_ONE, "raised", 2),
    ]
    assert len(store.notices(HOT)) == 4
    # the twin: nobody has answered this one
    store.add_event(event(at_ms=NOON + HOUR, began_ms=NOON + HOUR))
    held_in(keeping, notice(event(began_ms=NOON + HOUR).occurrence, 1))
    keeping.write_back(store)
    assert len(store.pending_notices()) == 4


def test_what_cannot_be_written_back_stays_in_memory_whole(
    keeping: NoticeKeeping, store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch, caplog: Any
) -> None:
    held_in(keeping, notice(), notice(target="b"))
    assert keeping.holding
    for after in (0, 1):
        refuse(store, monkeypatch, after, "keep_notice")
        keeping.write_back(store)
        monkeypatch.undo()
        assert store.notices(HOT) == [] and len(keeping.outbox(None).notices(HOT)) == 2
    assert "kept in memory until it can be written" in caplog.text
    keeping.hold(event(), store, NOON)
    keeping.write_back(store)  # an event has to be written first
    assert store.notices(HOT) == []
    keeping.keep_held(store)
    keeping.kept_held()
    caplog.set_level(logging.INFO)
    held_in(keeping, notice(number=1))
    keeping.write_back(store)
    assert not keeping.holding and len(store.notices(HOT)) == 3
    assert "what became of notices is written" in caplog.text
    refuse(store, monkeypatch, name="transaction")
    keeping.write_back(store)  # nothing to write, so nothing is tried


def test_what_becomes_of_a_notice_goes_to_the_store_or_to_memory_never_to_both(
    keeping: NoticeKeeping, store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch, caplog: Any
) -> None:
    def work(outbox: Any) -> None:
        wrote.append("store" if outbox is store else "memory")
        for one in notices:
            outbox.notice_failed(one.id, NOON + MIN, "no")

    for target in ("a", "b"):
        queue(store, target=target)
    wrote: list[str] = []
    outbox = keeping.outbox(store)
    notices = outbox.due_notices(NOON)
    assert [n.id for n in notices] == [1, 2]
    keeping.apply(store, outbox, notices, work)
    assert wrote == ["store"] and [n.attempts for n in store.notices(HOT)] == [1, 1]
    for after in (0, 1):  # both or none
        wrote.clear()
        refuse(store, monkeypatch, after, "notice_failed")
        keeping.apply(store, outbox, notices, work)
        monkeypatch.undo()
        assert wrote == ["store", "memory"]
        assert [n.attempts for n in store.notices(HOT)] == [1, 1]
        keeping._memory.forget(keeping._memory.held())
    assert "kept in memory until it can be written" in caplog.text
    wrote.clear()
    keeping.apply(None, outbox, notices, work)
    keeping.apply(store, outbox, notices, work)  # something is there that must be written first
    assert wrote == ["memory", "memory"]
    keeping._memory.forget(keeping._memory.held())
    queue(outbox, "alcove/other/1")
    notices = outbox.pending_notices()
    keeping._memory.forget(keeping._memory.held())
    wrote.clear()
    keeping.apply(store, outbox, notices, work)  # one of them has no row
    assert wrote == ["memory"]


def test_what_rushlight_says_of_itself_is_kept_before_it_can_be_sent(
    keeping: NoticeKeeping, store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sender's thread may see the notice at once: it must not take it for an earlier run's."""
    seen: list[tuple[str, str, bool]] = []
    queue_own = NoticeQueue.queue_own

    def looking(self: NoticeQueue, to: Any, name: str, transition: str, text: Text, now_ms: int) -> int:
        seen.append((name, transition, keeping.outdated(notice(name, transition=transition))))
        return queue_own(self, to, name, transition, text, now_ms)

    monkeypatch.setattr(NoticeQueue, "queue_own", looking)
    keeping.kept_again(NOON)
    assert seen == []  # it was never said
    keeping.unkept(store, NOON, NOON + MIN, "no room")
    keeping.unkept(store, NOON, NOON + 2 * MIN, "no room")
    (name, *rest), *more = seen
    assert rest == ["raised", False] and more == []
    keeping.kept_again(NOON + HOUR)
    keeping.kept_again(NOON + HOUR)
    assert seen[1:] == [(name, "cleared", False)]
    assert keeping.outdated(notice(name))  # what still waits of it
    assert not keeping.outdated(notice()) and not keeping.outdated(notice(transition="cleared"))
    assert [n.transition for n in keeping.outbox(None).pending_notices()] == ["cleared"] * 2
    keeping.unkept(store, NOON + 2 * HOUR, NOON + 2 * HOUR, "no room")
    assert len(seen) == 3


def test_what_was_taken_has_its_reminder_in_the_same_step(
    keeping: NoticeKeeping, store: EmbeddedStore
) -> None:
    store.add_event(event())
    queue(store)
    (one,) = store.pending_notices()
    with store.transaction():
        keeping.taken([one], NOON, store)
    assert [(n.number, n.delivered_ms, n.next_attempt_ms) for n in store.notices(HOT)] == [
        (0, NOON, NOON),
        (1, None, NOON + RESEND),
    ]


def test_a_key_is_all_that_makes_a_notice_the_same() -> None:
    one = notice()
    for change in ({"occurrence": "x"}, {"transition": "x"}, {"number": 5}, {"target": "x"}):
        assert key_of(one._replace(**change)) != key_of(one)
    assert key_of(one._replace(attempts=5, delivered_ms=1, id=9)) == key_of(one)


def test_two_events_are_the_same_only_by_kind_and_time(keeping: NoticeKeeping, store: EmbeddedStore) -> None:
    """A priority that changes twice is told twice."""
    events: list[Event] = [
        event(priority="medium"),
        event("priority-changed", NOON + MIN),
        event("priority-changed", NOON + 2 * MIN, priority="critical"),
    ]
    for one in events:
        keeping.hold(one, store, NOON)
    assert keeping.outbox(None).events() == events


def test_one_notice_in_memory_is_enough_to_write_nothing_before_it(keeping: NoticeKeeping) -> None:
    held_in(keeping, notice())
    assert keeping.holding
    keeping._memory.forget(keeping._memory.held())
    assert not keeping.holding
    keeping._memory.hold_event(event())
    assert keeping.holding
