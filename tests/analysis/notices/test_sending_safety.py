"""Rounds of sending with a sender of the test's own: what goes together, what waits, and what is well."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.notices import workers
from rushlight.analysis.notices.batches import batches
from rushlight.analysis.notices.channels import target_name
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.notices.queue import QUIET
from rushlight.analysis.notices.wording import Text
from rushlight.analysis.notices.workers import PatientSender, SlowTarget
from rushlight.collector.events import Priority
from rushlight.collector.settings import NoticeSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import Notice
from tests.analysis.notices.test_memory_safety import OWN_ONE, notice
from tests.analysis.notices.test_queue_safety import (
    AT_NIGHT,
    HOUR,
    MIN,
    MORNING,
    NIGHT,
    NOON,
    RESEND,
    event,
    refuse,
)
from tests.conftest import wait_for

A, B = "json://127.0.0.1:9/a", "json://127.0.0.1:9/b"


class Desk:
    """A notifier whose targets take or refuse what they are sent, by a clock that the test moves."""

    def __init__(self, store: EmbeddedStore, *urls: str, **more: Any) -> None:
        self.store = store
        self.now = NOON
        self.takes_ms = 0
        self.refuses: set[str] = set()
        self.sent: list[tuple[str, str, str]] = []  # target, title, priority
        self.bodies: list[str] = []
        self.tried: list[str] = []
        self.well: list[bool] = []
        self.collecting = True
        self.urls = urls or (A,)
        self.notices = Notifier(
            more.pop("settings", NoticeSettings()),
            environment={
                "RUSHLIGHT_NOTICE_URLS": " ".join(self.urls),
                "RUSHLIGHT_SECOND_NOTICE_URLS": more.pop("second", ""),
            },
            clock=lambda: self.now,
            is_well=lambda: self.collecting,
            sender=self._take,
            **more,
        )
        self.notices.heartbeat.beat = self._beat  # type: ignore[method-assign,assignment]

    def _take(self, url: str, title: str, body: str, priority: str, picture: Any = None) -> bool:
        self.now += self.takes_ms
        self.tried.append(url[-1])
        if url in self.refuses:
            return False
        self.sent.append((url[-1], title, priority))
        self.bodies.append(body)
        return True

    def _beat(self, now_ms: int, is_well: Callable[[], bool]) -> bool:
        self.well.append(is_well())
        return False

    def tell(self, *events: Any) -> None:
        with self.store.transaction():
            for one in events:
                assert self.store.add_event(one)
                self.notices.queue_for(one, self.store, self.now)

    def round(self, pass_ms: int = 0) -> int:
        self.now += pass_ms
        return self.notices.run_once(self.store, self.now)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as made:
        yield made


# -- what goes together --------------------------------------------------------------------------------


def sizes(*notices: Notice) -> list[list[int]]:
    named = [one._replace(id=n) for n, one in enumerate(notices)]
    return [[one.id for one in batch] for batch in batches(named)]


def test_three_go_together_and_two_only_where_they_have_waited() -> None:
    low = notice(priority="low")
    waited = notice(priority="low", not_before_ms=NOON + 1)
    at_once = notice(priority="low", not_before_ms=NOON)
    again = notice(priority="low", not_before_ms=NOON + RESEND, number=1)
    assert sizes(low) == [[0]] and sizes(waited) == [[0]]
    assert sizes(low, low) == sizes(at_once, at_once) == sizes(again, again) == [[0], [1]]
    assert sizes(low, waited) == sizes(waited, low) == sizes(again, waited) == [[0, 1]]
    assert sizes(low, low, low) == [[0, 1, 2]]


def test_what_is_critical_a_test_or_about_rushlight_itself_goes_alone() -> None:
    low = notice(priority="low")
    alone = [notice(priority="critical"), notice(transition="test"), notice(OWN_ONE)]
    for one in alone:
        assert sizes(low, one, low, low) == [[1], [0, 2, 3]]
        assert sizes(one, low, low) == [[0], [1], [2]]
        assert sizes(one, one, one) == [[0], [1], [2]]


# -- rounds --------------------------------------------------------------------------------------------


def test_each_round_says_how_many_were_taken(store: EmbeddedStore) -> None:
    desk = Desk(store, A, B)
    assert desk.round() == 0
    desk.tell(event())
    assert desk.round() == 2
    assert sorted(desk.tried) == ["a", "b"]
    assert desk.round() == 0


def test_the_words_of_one_of_many_and_of_what_is_said_again(store: EmbeddedStore) -> None:
    desk = Desk(store)
    # the newest word is what is said again
    desk.tell(event(summary="MEDIUM: warm", priority="medium"))
    desk.tell(event("priority-changed", NOON + MIN, summary="HIGH (was medium): hot"))
    desk.round(MIN)
    assert desk.sent == [("a", "HIGH (was medium): hot", "high")]
    assert "Not acknowledged" not in desk.bodies[0]
    desk.round(RESEND)
    assert desk.sent[1:] == [("a", "HIGH: hot", "high")] and "Not acknowledged for 15 min" in desk.bodies[1]
    # with others that are due it goes as one, the gravest first
    at = desk.now + RESEND
    desk.now = at
    for name in ("light-missing", "co2-absent"):
        desk.tell(event(at_ms=at, began_ms=at, alarm=name, priority="low", summary=f"LOW: {name}"))
    assert desk.round() == 3
    (_, title, priority) = desk.sent[-1]
    assert title.startswith("HIGH: 3 alarms") and priority == "high"
    assert "LOW: light-missing" in desk.bodies[-1] and "LOW: co2-absent" in desk.bodies[-1]


def test_what_is_over_comes_as_good_news_unless_something_is_not(store: EmbeddedStore) -> None:
    desk = Desk(store)
    names = ("light-missing", "light-dimming", "co2-absent")
    desk.tell(*(event(alarm=name, priority="low", summary=f"LOW: {name}") for name in names))
    desk.round()
    desk.tell(*(event("cleared", NOON + MIN, alarm=name, priority="low") for name in names))
    assert desk.round(MIN) == 3
    assert desk.sent[-1][2] == "cleared"
    desk.tell(event(summary="HIGH: hot"))
    desk.round()
    desk.tell(
        event("cleared", NOON + 2 * MIN), *(event(alarm=n, began_ms=NOON + 2, priority="low") for n in names)
    )
    assert desk.round(MIN) == 4
    assert desk.sent[-1][2] in ("low", "high")


def test_what_rushlight_says_of_itself_is_said_again_in_the_same_words(store: EmbeddedStore) -> None:
    desk = Desk(store)
    desk.notices.keeping._memory.standing.add(OWN_ONE)
    desk.notices._queue.queue_own(store, OWN_ONE, "raised", Text("HIGH: no room", "make room"), NOON)
    for _ in range(2):
        assert desk.round(RESEND) == 1
    assert desk.sent == [("a", "HIGH: no room", "high")] * 2
    desk.notices.keeping._memory.standing.clear()  # over, or an earlier run's
    for _ in range(2):
        assert desk.round(RESEND) == 0
    assert store.pending_notices() == []


def test_the_pauses_run_from_when_a_slow_target_has_answered(store: EmbeddedStore) -> None:
    desk = Desk(store)
    desk.takes_ms = 7000
    desk.tell(event())
    assert desk.round() == 1
    first, again = store.notices(event().occurrence)
    assert first.delivered_ms == NOON + 7000 and again.next_attempt_ms == NOON + 7000 + RESEND
    desk.refuses = {A}
    desk.round(RESEND)
    (left,) = store.pending_notices()
    assert (left.attempts, left.next_attempt_ms) == (1, desk.now + 10_000)
    # a replay's time is not the clock's
    desk.notices.run_once(store, NOON + 10 * HOUR)
    (left,) = store.pending_notices()
    assert (left.attempts, left.next_attempt_ms) == (2, NOON + 10 * HOUR + 7000 + 20_000)
    # a clock that was put back while it was sent
    desk.takes_ms = -HOUR
    desk.notices.run_once(store, NOON + 20 * HOUR)
    (left,) = store.pending_notices()
    assert (left.attempts, left.next_attempt_ms) == (3, NOON + 20 * HOUR + 40_000)


def test_without_a_time_given_it_is_the_clock_s(store: EmbeddedStore) -> None:
    desk = Desk(store)
    desk.tell(event())
    desk.now = NOON + MIN
    assert desk.notices.run_once(store) == 1
    (first, _) = store.notices(event().occurrence)
    assert first.delivered_ms == NOON + MIN
    real = Notifier(NoticeSettings(), environment={})
    assert abs(real._clock() - time.time() * 1000) < 60_000
    assert real.targets == [] and real._is_well() and isinstance(real._send, PatientSender)


def test_a_target_that_fails_is_left_alone_for_the_round_and_tried_after_the_others(
    store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    urls = sorted((A, B), key=target_name)
    desk = Desk(store, *urls)
    desk.refuses = {urls[0]}
    desk.tell(event(), event(alarm="light-missing", priority="low"))
    assert desk.round() == 2
    assert desk.tried.count(urls[0][-1]) == 1
    errors = {n.priority: n.error for n in store.pending_notices() if n.target == target_name(urls[0])}
    assert errors == {"high": "not taken by its target", "low": "its target is failing"}
    # what fails comes last, however its name sorts
    desk.tried.clear()
    desk.tell(event(at_ms=NOON + MIN, began_ms=NOON + MIN, priority="critical"))
    desk.round(MIN)
    assert desk.tried == [urls[1][-1], urls[0][-1]]
    desk.refuses = set()
    desk.round(HOUR)
    assert caplog.text.count("trying again with growing pauses") == 1
    assert caplog.text.count("takes notices again") == 1


def test_what_a_target_has_taken_before_it_failed_is_not_sent_again(store: EmbeddedStore) -> None:
    desk = Desk(store)
    desk.tell(event(priority="critical"), event(alarm="light-missing", priority="low"))
    take = desk.notices._send

    def one_only(url: str, *rest: Any) -> bool:
        return not desk.sent and take(url, *rest)

    desk.notices._send = one_only
    assert desk.round() == 1
    hot = {n.number: (n.delivered_ms, n.attempts, n.error) for n in store.notices(event().occurrence)}
    assert hot == {0: (NOON, 1, ""), 1: (None, 0, "")}
    (low,) = store.notices(event(alarm="light-missing").occurrence)
    assert (low.attempts, low.error, low.next_attempt_ms) == (1, "not taken by its target", NOON + 10_000)


def test_what_sleeps_until_the_morning_says_so_in_the_store(store: EmbeddedStore) -> None:
    desk = Desk(store, settings=AT_NIGHT)
    desk.now = evening = NIGHT - 4 * HOUR  # 22:00
    desk.tell(event(alarm="light-missing", at_ms=evening, began_ms=evening))
    desk.refuses = {A}
    desk.round()
    (row,) = store.pending_notices()
    assert row.error == "not taken by its target"
    desk.refuses = set()
    assert desk.round(2 * HOUR) == 0
    (row,) = store.pending_notices()
    assert (row.error, row.next_attempt_ms) == (QUIET, MORNING)
    desk.now = MORNING
    assert desk.round() == 1


def test_a_failing_target_is_logged_after_the_first_tenth_and_hundredth_failure(
    store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    desk = Desk(store)
    desk.tell(event())
    desk.refuses = {A}
    logged = []
    for number in range(1, 103):
        before = caplog.text.count("refused or out of reach")
        desk.round(15 * MIN)
        if caplog.text.count("refused or out of reach") > before:
            logged.append(number)
    assert logged == [1, 10, 100] and len(desk.tried) == 102


def test_a_sender_that_raises_is_a_target_that_refuses(
    store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    desk = Desk(store)

    def broken(*_: Any) -> bool:
        raise ConnectionError("with a s3cret in it")

    desk.notices._send = broken
    desk.tell(event())
    assert desk.round() == 0
    assert "ConnectionError" in caplog.text and "s3cret" not in caplog.text
    assert [n.attempts for n in store.pending_notices()] == [1]


def test_notices_wait_where_no_target_is_set_and_go_to_the_one_that_comes(store: EmbeddedStore) -> None:
    with_one = Desk(store)
    with_one.tell(event())
    none = Desk(store, "")
    assert none.round() == 0
    assert len(store.due_notices(NOON)) == 1  # untouched
    other = Desk(store, B)
    other.round()
    assert other.round() == 1 and other.sent[0][0] == "b"


# -- well-being ----------------------------------------------------------------------------------------


def test_the_heartbeat_stops_where_no_target_takes_anything_for_three_rounds(store: EmbeddedStore) -> None:
    desk = Desk(store, A, B)
    desk.tell(event(priority="medium"))
    desk.refuses = {A, B}
    for _ in range(4):
        desk.round(15 * MIN)
    assert desk.well == [True, True, False, False]
    desk.refuses = {A}  # of what is not urgent it is enough that somebody has it
    for _ in range(3):
        desk.round(15 * MIN)
    assert desk.well[4:] == [True] * 3
    desk.tell(event(alarm="light-missing", priority="medium", at_ms=desk.now))
    desk.refuses = {A, B}
    for _ in range(3):
        desk.round(15 * MIN)
    assert desk.well[-1] is False
    # nothing waits any more: that it failed once is no reason to be silent for ever
    desk.tell(event("acknowledged", desk.now), event("acknowledged", desk.now, alarm="light-missing"))
    desk.round()
    assert desk.well[-1] is True
    desk.collecting = False
    desk.round()
    assert desk.well[-1] is False


@pytest.mark.parametrize("priority", ["critical", "high"])
def test_the_heartbeat_stops_where_one_of_several_targets_takes_no_urgent_alarm_for_half_an_hour(
    store: EmbeddedStore, caplog: pytest.LogCaptureFixture, priority: Priority
) -> None:
    """Who hears only by that one has no other way to learn of it."""
    caplog.set_level(logging.INFO)
    desk = Desk(store, A, B)
    desk.refuses = {B}
    desk.tell(event(priority=priority))
    for minute in range(45):
        desk.round(MIN)
        assert desk.well[-1] is (minute + 1 < 30), minute
    assert ("a", priority) in {(target, level) for target, _, level in desk.sent}
    assert caplog.text.count(f"target {target_name(B)}: has not taken an urgent alarm for 30 minutes") == 1
    assert target_name(A) not in caplog.text and "json://" not in caplog.text
    # neither another priority nor the end of the alarm gives it a new half-hour
    desk.tell(event("priority-changed", desk.now, priority="high"))
    desk.round(MIN)
    desk.tell(event("cleared", desk.now))
    desk.round(MIN)
    assert desk.well[-2:] == [False, False]
    desk.refuses = set()
    desk.round(15 * MIN)
    assert desk.well[-1] is True and ("b", "cleared") in {(name, word) for name, _, word in desk.sent}
    assert f"target {target_name(B)}: is no longer a reason" in caplog.text


def test_a_target_that_took_the_alarm_and_is_dead_at_the_reminder_stops_the_heartbeat(
    store: EmbeddedStore,
) -> None:
    desk = Desk(store, A, B)
    desk.tell(event())
    desk.round()
    desk.refuses = {B}
    for minute in range(1, 60):
        desk.round(MIN)
        assert desk.well[-1] is (minute < 45), minute  # the reminder was due after a quarter of an hour
    # the next process knows it by what waits, not only by what it has tried itself
    after = Desk(store, A, B)
    after.now, after.refuses = desk.now, {B}
    after.round()
    assert after.well == [False]
    # out of the settings, it is missed by nobody; and back, it is owed what waits for it
    alone = Desk(store, A)
    alone.now = desk.now
    alone.notices.go_on_from(after.notices)
    alone.round()
    assert alone.well == [True]


@pytest.mark.parametrize(
    ("priority", "tank", "began_ms", "well"),
    [
        ("high", "alcove", NOON, False),
        ("medium", "alcove", NOON, True),
        ("high", "porch", NOON, True),  # the alarm is of a tank that was taken out of the settings
        ("high", "alcove", NIGHT, True),  # it may wait for the morning
    ],
)
def test_what_a_target_is_not_owed_stops_no_heartbeat(
    store: EmbeddedStore, priority: Priority, tank: str, began_ms: int, well: bool
) -> None:
    desk = Desk(store, A, B, settings=AT_NIGHT, tanks={tank: SimpleNamespace(title="")})
    desk.now, desk.refuses = began_ms, {B}
    desk.tell(event(alarm="light-missing", at_ms=began_ms, began_ms=began_ms, priority=priority))
    for _ in range(12):
        desk.round(5 * MIN)
    assert desk.well[-1] is well


@pytest.mark.parametrize("priority", ["medium", "high"])
def test_one_who_may_be_asked_later_keeps_no_heartbeat_going(
    store: EmbeddedStore, priority: Priority
) -> None:
    """Of what is not urgent they never hear; of what is, after a while."""
    desk = Desk(store, A, second=B)
    desk.tell(event(priority=priority))
    desk.round()
    assert desk.well == [True] and desk.tried == ["a"]
    failing = Desk(store, A, second=B)
    failing.refuses = {A}
    failing.tell(event(alarm="heater-stuck-on", priority=priority))
    for _ in range(4):
        failing.round(3 * MIN)
    assert failing.well == [True, True, False, False]


def test_the_heartbeat_stops_while_what_became_of_notices_is_not_written(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = Desk(store)
    desk.tell(event())
    refuse(store, monkeypatch, name="notice_delivered")
    assert desk.round() == 1
    assert desk.well == [False]
    monkeypatch.undo()
    desk.round()
    assert desk.well == [False, True]


def test_without_targets_a_failure_of_before_is_no_reason_for_silence(store: EmbeddedStore) -> None:
    desk = Desk(store, A)
    desk.tell(event())
    desk.refuses = {A}
    for _ in range(3):
        desk.round(15 * MIN)
    assert desk.well[-1] is False
    desk.notices._urls.clear()
    desk.notices._first.clear()
    desk.round(15 * MIN)
    assert desk.well[-1] is True


# -- the threads of the targets ------------------------------------------------------------------------


class Hanging:
    """A target of which each sending hangs until it is let go, by a clock that the test moves."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now = 1000.0
        self.gates: list[tuple[str, threading.Event]] = []
        self.answers, self.raises = True, False
        monkeypatch.setattr(workers, "time", SimpleNamespace(monotonic=lambda: self.now))
        self.send = PatientSender(self._send, patience_s=0.05, limit_s=30.0)

    def _send(self, url: str, title: str, *_: object) -> bool:
        gate = threading.Event()
        self.gates.append((title, gate))
        gate.wait(20)
        if self.raises:
            raise ConnectionError("at last")
        return self.answers

    def hangs(self, title: str, more: int) -> None:
        """Nothing is known of it; `more` sendings begin by it."""
        before = len(self.gates)
        with pytest.raises(SlowTarget):
            self.send("url", title, "body", "high")
        if more:  # its thread may be slow to begin
            wait_for(lambda: len(self.gates) > before, "the sending")
        assert len(self.gates) == before + more

    def let_go(self, number: int) -> None:
        self.gates[number][1].set()
        wait_for(lambda: self.send._sendings["url"][number].over(), "its end")

    def left(self) -> int:
        return len(self.send._sendings["url"])


def test_a_sending_that_hangs_is_given_up_after_a_while_and_only_so_many_hang(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    target = Hanging(monkeypatch)
    target.hangs("one", 1)
    target.now += 29.9
    target.hangs("one", 0)
    target.now += 0.2
    target.hangs("one", 1)
    target.now += 29.9  # the second is not that old
    target.hangs("one", 0)
    target.now += 0.2
    target.hangs("one", 1)
    target.now += 1000
    target.hangs("one", 0)  # and what hangs is not forgotten, however long
    assert target.left() == 3
    assert all(thread.daemon for thread in threading.enumerate() if thread.name == "notice")
    for number in range(3):
        target.let_go(number)


def test_what_was_taken_late_counts_once_and_for_its_own_words(monkeypatch: pytest.MonkeyPatch) -> None:
    target = Hanging(monkeypatch)
    target.hangs("one", 1)
    target.let_go(0)
    target.hangs("two", 1)  # other words are another notice
    target.let_go(1)
    assert target.send("url", "one", "body", "high") is True and len(target.gates) == 2
    target.hangs("one", 1)  # the same words again, as of a reminder: they are sent
    target.gates[2][1].set()


def test_what_nobody_asks_for_again_is_forgotten_after_ten_minutes(monkeypatch: pytest.MonkeyPatch) -> None:
    target = Hanging(monkeypatch)
    target.hangs("one", 1)
    target.let_go(0)
    target.now += 599
    target.hangs("two", 1)
    assert target.left() == 2
    target.let_go(1)
    target.now += 2
    target.hangs("three", 1)
    assert target.left() == 2
    target.gates[2][1].set()


@pytest.mark.parametrize("raises", [False, True])
def test_what_was_refused_late_is_sent_again(monkeypatch: pytest.MonkeyPatch, raises: bool) -> None:
    target = Hanging(monkeypatch)
    target.answers, target.raises = False, raises
    target.hangs("one", 1)
    target.let_go(0)
    target.hangs("one", 1)
    target.gates[1][1].set()


def test_a_quick_answer_is_the_target_s_own() -> None:
    def send(url: str, title: str, body: str, *rest: object) -> bool:
        if title == "raise":
            time.sleep(0.1)
            raise ConnectionError("it said so")
        return title == "take" and rest == ("high", "picture")

    sender = PatientSender(send)
    assert sender("url", "take", "body", "high", "picture") is True
    assert sender("url", "refuse", "body", "high") is False
    with pytest.raises(ConnectionError, match="it said so"):
        sender("url", "raise", "body", "high")
