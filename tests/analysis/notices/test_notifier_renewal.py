"""A notifier in another one's place after a reload; tanks that are gone; what an event asks for."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import msgspec
import pytest

from rushlight.analysis.notices.asking import asks_for, transition_of
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.notices.test_queue_safety import MIN, NOON, event
from tests.analysis.notices.test_sending_safety import A, B, Desk


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as made:
        yield made


def test_what_is_in_memory_goes_on_with_the_next_settings(store: EmbeddedStore) -> None:
    """A full disk, an alarm that is only in memory, and a reload: nobody is asked twice, nobody never."""
    before = Desk(store, A)
    before.notices.keeping.hold(event(), store, NOON)
    assert before.round() == 1
    after = Desk(store, A, B)
    after.notices.go_on_from(before.notices)
    assert after.notices.keeping is before.notices.keeping and after.notices.keeping.holding
    assert after.round() == 0 and after.sent == []
    # what comes now goes to the targets of now
    co2 = event(alarm="co2-overdose", priority="critical")
    after.notices.keeping.hold(co2, store, NOON)
    assert after.round(MIN) == 2 and {target for target, *_ in after.sent} == {"a", "b"}


def test_what_is_known_of_the_targets_goes_on_and_only_of_those_that_are_there(store: EmbeddedStore) -> None:
    before = Desk(store, A)
    before.refuses = {A}
    before.tell(event(priority="critical"))
    for _ in range(3):
        before.round(20 * MIN)
    assert before.well[-1] is False  # no target takes anything: the heartbeat stops
    same = Desk(store, A)
    same.refuses, same.now = {A}, before.now
    same.notices.go_on_from(before.notices)
    same.round()  # nothing is due in this moment, so nothing is tried
    assert same.tried == [] and same.well == [False]
    other = Desk(store, B)
    other.now = before.now
    other.notices.go_on_from(before.notices)
    assert other.notices._failing == {}


def test_nothing_is_sent_of_a_tank_that_is_gone_until_it_is_back(store: EmbeddedStore) -> None:
    gone = Desk(store, A, tanks={"porch": SimpleNamespace(title="")})
    gone.tell(event())
    assert gone.round() == 0 and gone.sent == []
    (waiting,) = store.pending_notices()
    assert waiting.next_attempt_ms == gone.now + 5 * MIN and "not in the settings" in waiting.error
    # what is not about a tank, and a test that somebody waits for, are sent all the same
    with store.transaction():
        gone.notices.queue_test(store, gone.now)
    assert gone.round() == 1
    back = Desk(store, A, tanks={"alcove": SimpleNamespace(title="")})
    back.now = gone.now
    assert back.round() == 0
    assert back.round(5 * MIN) == 1 and back.sent[0][2] == "high"


def test_a_test_alarm_is_a_notice_of_its_own_kind_when_it_begins() -> None:
    test = msgspec.structs.replace(event(), test=True)
    assert transition_of(test) == "test"
    assert transition_of(msgspec.structs.replace(event("cleared"), test=True)) == "cleared"
    assert transition_of(event()) == "raised"
    changed = event("priority-changed", NOON + MIN)
    assert transition_of(changed) == f"priority-changed {changed.time}"


def test_what_was_answered_asks_again_only_where_it_grows_more_urgent() -> None:
    raised, answered = event(), event("acknowledged", NOON + MIN)
    worse = event("priority-changed", NOON + 2 * MIN, priority="critical")
    better = event("priority-changed", NOON + 2 * MIN, priority="medium")
    assert asks_for([raised])[0] and not asks_for([raised, answered])[0]
    assert asks_for([raised, answered, worse]) == (True, transition_of(worse))
    assert asks_for([raised, answered, better]) == (False, transition_of(better))
