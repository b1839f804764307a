"""The outbox at the places where a small fault would lose a notice, or send one for ever."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from rushlight.collector.errors import StoreMoved
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import Notice

NOW = 1_772_330_400_000
MINUTE = 60_000
HOT = "hallway/temperature-high/2026-03-01T02:00:00Z"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with closing(EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF")) as made:
        yield made


def queue(store: EmbeddedStore, occurrence: str = HOT, **changes: Any) -> Notice:
    """Queue one, and give it as it is in the store."""
    known: dict[str, Any] = {"transition": "raised", "target": "a", "title": "t", "body": "b"}
    known |= {"priority": "high", "created_ms": NOW}
    assert store.queue_notice(occurrence=occurrence, **(known | changes))
    return store.notices(occurrence)[-1]


WRITES: dict[str, Callable[[EmbeddedStore, Notice], object]] = {
    "queue": lambda store, notice: queue(store, "hallway/ph-low/1"),
    "delivered": lambda store, notice: store.notice_delivered(notice.id, NOW),
    "failed": lambda store, notice: store.notice_failed(notice.id, NOW + 1, "no"),
    "kept": lambda store, notice: store.keep_notice(notice._replace(attempts=3), True),
    "cancelled": lambda store, notice: store.cancel_notices(notice.occurrence),
    "clock": lambda store, notice: store.follow_clock(NOW - 86_400_000),
    "replaced": lambda store, notice: store.replace_notices("hallway", []),
    "dropped": lambda store, notice: store.drop_old_notices(NOW + 1),
}


@pytest.mark.parametrize("name", WRITES)
def test_no_write_is_believed_that_goes_to_a_file_taken_away(
    tmp_path: Path, store: EmbeddedStore, name: str
) -> None:
    """Each is a transaction of its own where nobody has opened one, with all that goes with it."""
    notice = queue(store)
    if name == "dropped":
        store.notice_delivered(notice.id, NOW)
    path = tmp_path / "rushlight.db"
    path.rename(tmp_path / "elsewhere.db")
    with pytest.raises(StoreMoved):
        WRITES[name](store, notice)
    (tmp_path / "elsewhere.db").rename(path)
    before = store.notices(HOT), store.pending_notices()
    WRITES[name](store, notice)
    assert (store.notices(HOT), store.pending_notices()) != before


def test_a_clock_that_was_put_back_makes_due_what_it_left_behind(store: EmbeddedStore) -> None:
    ahead = NOW + 3 * MINUTE + 1  # a moment more than two clocks may differ by, common practice
    near = NOW + 3 * MINUTE
    first = queue(store, "hallway/a/1", created_ms=ahead)
    waits = queue(store, "hallway/b/1", created_ms=ahead, not_before_ms=ahead + 60 * MINUTE)
    again = queue(store, "hallway/c/1", created_ms=ahead, number=1, not_before_ms=ahead + 15 * MINUTE)
    kept = queue(store, "hallway/d/1", created_ms=near, not_before_ms=near + 60 * MINUTE)
    assert store.follow_clock(NOW) == 3
    found = {notice.occurrence: notice for notice in store.pending_notices()}
    for notice in (first, waits):  # quiet hours are looked at again when it is sent
        moved = notice._replace(created_ms=NOW, not_before_ms=0, next_attempt_ms=NOW)
        assert found[notice.occurrence] == moved
    later = NOW + 15 * MINUTE
    assert found["hallway/c/1"] == again._replace(created_ms=NOW, not_before_ms=later, next_attempt_ms=later)
    assert found["hallway/d/1"] == kept
    assert store.follow_clock(NOW) == 0


def test_a_failed_notice_waits_no_longer_than_the_longest_pause(store: EmbeddedStore) -> None:
    """A pause that began by a clock that was ahead would last for as long as that."""
    long = queue(store, "hallway/a/1")
    store.notice_failed(long.id, NOW + 15 * MINUTE + 1, "no")
    right = queue(store, "hallway/b/1")
    store.notice_failed(right.id, NOW + 15 * MINUTE, "no")
    asleep = queue(store, "hallway/c/1", not_before_ms=NOW + 120 * MINUTE)
    both = queue(store, "hallway/d/1", created_ms=NOW + 600 * MINUTE)
    store.notice_failed(both.id, NOW + 700 * MINUTE, "no")
    assert store.follow_clock(NOW) == 2
    due = {notice.occurrence: notice.next_attempt_ms for notice in store.pending_notices()}
    assert due == {
        "hallway/a/1": NOW,
        "hallway/b/1": NOW + 15 * MINUTE,
        "hallway/c/1": asleep.next_attempt_ms,
        "hallway/d/1": NOW,
    }


def test_what_waits_about_one_tank_is_replaced_and_nothing_else(tmp_path: Path, store: EmbeddedStore) -> None:
    with closing(EmbeddedStore(tmp_path / "other.db", synchronous="OFF")) as other:
        old = queue(store, target="old")
        sent = queue(store, target="b")
        store.notice_delivered(sent.id, NOW)
        shed = queue(store, "shed/temperature-high/1")
        long_name = queue(store, "hallway-2/temperature-high/1")
        test = queue(store, "hallway/temperature-high/try", transition="test")
        queue(other)
        queue(other, target="b")  # sent from here already: not again
        store.replace_notices("hallway", other.pending_notices())
        waiting = store.pending_notices()
        assert old.id not in [notice.id for notice in waiting]
        assert [shed, long_name, test] == [n for n in waiting if n.occurrence != HOT]
        assert [n.target for n in waiting if n.occurrence == HOT] == ["a"]
        assert {n.target: n.delivered_ms for n in store.notices(HOT)} == {"a": None, "b": NOW}


def test_a_target_that_says_much_does_not_fill_the_store(store: EmbeddedStore) -> None:
    notice = queue(store)
    store.notice_failed(notice.id, NOW + 1, "x" * 501)
    assert store.notices(HOT)[0].error == "x" * 500
