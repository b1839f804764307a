"""Who is asked where nobody answers, who hears of an answer, and the links in notices."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from rushlight.analysis.alarms.endings import RAISED_ANEW
from rushlight.analysis.notices.links import with_links
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.notices.queue import NoticeQueue
from rushlight.analysis.notices.wording import milliseconds
from rushlight.collector.events import Event, EventKind
from rushlight.collector.settings import NoticeSettings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.notices.test_queue_safety import AT_NIGHT, MIN, MORNING, NIGHT, NOON, asks, event, waiting

AFTER = 20 * MIN


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as made:
        yield made


def queue(settings: NoticeSettings | None = None) -> NoticeQueue:
    return NoticeQueue(settings or NoticeSettings(second_min=20), ("keeper",), "UTC", ("neighbour",))


def deliver(store: EmbeddedStore, target: str, now_ms: int) -> int:
    due = [notice for notice in store.due_notices(now_ms) if notice.target == target]
    for notice in due:
        store.notice_delivered(notice.id, now_ms)
    return len(due)


def test_the_second_is_asked_when_nobody_answers_and_not_when_somebody_does(store: EmbeddedStore) -> None:
    notices = queue()
    asks(notices, store, event())
    assert deliver(store, "keeper", NOON) == 1
    assert deliver(store, "neighbour", NOON + AFTER - 1) == 0
    assert deliver(store, "neighbour", NOON + AFTER) == 1
    # another alarm, answered in time
    asks(notices, store, event(alarm="co2-overdose"), event("acknowledged", NOON + MIN, alarm="co2-overdose"))
    assert deliver(store, "neighbour", NOON + 9 * AFTER) == 0


def test_what_is_not_urgent_asks_nobody_else_and_a_rise_does(store: EmbeddedStore) -> None:
    notices = queue()
    asks(notices, store, event(priority="medium"))
    assert {target for _, target, _, _ in waiting(store)} == {"keeper"}
    asks(notices, store, event("priority-changed", NOON + MIN, priority="high"))
    due = [(target, at) for _, target, _, at in waiting(store)]
    assert ("neighbour", NOON + MIN + AFTER) in due


def test_what_grows_more_urgent_puts_the_second_off_no_longer(store: EmbeddedStore) -> None:
    notices = queue()
    asks(notices, store, event(), event("priority-changed", NOON + 19 * MIN, priority="critical"))
    assert [at for _, target, _, at in waiting(store) if target == "neighbour"] == [NOON + AFTER]
    # somebody had answered: from then on it is a new question
    later = NOON + 25 * MIN
    co2 = "co2-overdose"
    answered = event("acknowledged", NOON + MIN, alarm=co2)
    worse = event("priority-changed", later, priority="critical", alarm=co2)
    asks(notices, store, event(alarm=co2), answered, worse)
    assert (NOON + 25 * MIN + AFTER) in [at for _, target, _, at in waiting(store) if target == "neighbour"]


def anew(at_ms: int, was_ms: int = NOON) -> tuple[Event, Event]:
    """An alarm that comes and goes is back, and worse: another occurrence in the place of the one before."""
    ended = event("cleared", at_ms, began_ms=was_ms, summary=f"{RAISED_ANEW}: water too warm")
    return ended, event(at_ms=at_ms, began_ms=at_ms)


def test_what_is_raised_anew_because_it_is_worse_puts_the_second_off_no_longer(store: EmbeddedStore) -> None:
    notices = queue()
    asks(notices, store, event(), *anew(NOON + 17 * MIN))
    assert [at for _, target, _, at in waiting(store) if target == "neighbour"] == [NOON + AFTER]
    assert deliver(store, "neighbour", NOON + AFTER) == 1
    # who has been asked, and has not answered, hears at once that it is worse
    later = NOON + 40 * MIN
    asks(notices, store, *anew(later, was_ms=NOON + 17 * MIN))
    assert {(target, at) for _, target, _, at in waiting(store)} == {("keeper", later), ("neighbour", later)}


@pytest.mark.parametrize("end", ["acknowledged", "cleared"])
def test_what_was_answered_or_over_before_it_is_raised_again_is_a_new_question(
    store: EmbeddedStore, end: EventKind
) -> None:
    notices, later = queue(), NOON + 25 * MIN
    asks(notices, store, event())
    deliver(store, "neighbour", NOON + AFTER)
    asks(notices, store, event(end, NOON + 21 * MIN))
    again = anew(later) if end == "acknowledged" else (event(at_ms=later, began_ms=later),)
    asks(notices, store, *again)
    name = again[-1].occurrence
    due = {n.target: n.next_attempt_ms for n in store.pending_notices() if n.occurrence == name}
    assert due == {"keeper": later, "neighbour": later + AFTER}


def test_who_answered_is_said_to_both_that_were_asked_and_to_them_alone(store: EmbeddedStore) -> None:
    notices = queue()
    asks(notices, store, event())
    deliver(store, "keeper", NOON)
    deliver(store, "neighbour", NOON + AFTER)
    answer = event("acknowledged", NOON + AFTER + MIN, actor="Ines", summary="Acknowledged by Ines")
    asks(notices, store, answer)
    said = {(notice.target, notice.body.split(" has")[0]) for notice in store.pending_notices()}
    assert said == {("keeper", "Ines"), ("neighbour", "Ines")}
    deliver(store, "keeper", NOON + 2 * AFTER)
    deliver(store, "neighbour", NOON + 2 * AFTER)
    # both hear of its end
    asks(notices, store, event("cleared", NOON + 3 * AFTER))
    assert {target for _, target, _, _ in waiting(store)} == {"keeper", "neighbour"}
    # where nobody else was asked, an answer is no notice
    asks(notices, store, event(alarm="co2-overdose"))
    deliver(store, "keeper", NOON)
    asks(notices, store, event("acknowledged", NOON + MIN, alarm="co2-overdose", actor="Ines"))
    asks(notices, store, event("cleared", NOON + 2 * MIN, alarm="co2-overdose"))
    last = [notice for notice in store.pending_notices() if "co2-overdose" in notice.occurrence]
    assert {(notice.target, notice.transition) for notice in last} == {("keeper", "cleared")}


def test_at_night_the_time_for_an_answer_begins_with_the_morning(store: EmbeddedStore) -> None:
    quiet = NoticeSettings(
        quiet_from=AT_NIGHT.quiet_from, quiet_to=AT_NIGHT.quiet_to, quiet_timezone="UTC", second_min=20
    )
    notices = queue(quiet)
    asks(notices, store, event(alarm="light-missing", at_ms=NIGHT, began_ms=NIGHT))
    due = {target: at for _, target, _, at in waiting(store)}
    assert due == {"keeper": MORNING, "neighbour": MORNING + AFTER}
    # harm that is foreseen wakes the keeper at once; the neighbour still has their turn later
    asks(notices, store, event(alarm="temperature-high", at_ms=NIGHT, began_ms=NIGHT, time_left_s=600))
    notices.harm_expected({notice.occurrence: NIGHT + 600_000 for notice in store.pending_notices()})
    assert "neighbour" not in {notice.target for notice in notices.urgent(store, NIGHT + MIN)}


def test_both_take_notices_and_only_the_first_are_missed(store: EmbeddedStore) -> None:
    sent: list[str] = []

    def send(url: str, *text: object) -> bool:
        sent.append(url)
        return True

    urls = {
        "RUSHLIGHT_NOTICE_URLS": "json://keeper",
        "RUSHLIGHT_SECOND_NOTICE_URLS": "json://neighbour json://keeper",
    }
    notifier = Notifier(NoticeSettings(), environment=urls, clock=lambda: NOON, sender=send)
    assert len(notifier.targets) == 1
    with store.transaction():
        store.add_event(event())
        notifier.queue_for(event(), store, NOON)
    notifier.run_once(store, NOON)
    assert sent == ["json://keeper"]
    assert notifier.queue_missing(event().occurrence, store, NOON) == 0
    notifier.run_once(store, NOON + AFTER)
    assert sent.count("json://neighbour") == 1


def missing(store: EmbeddedStore, *events: Event, now_ms: int, settings: NoticeSettings | None = None) -> int:
    """The events as they were kept and sent while only the keeper was there; then the second is added."""
    before = NoticeQueue(settings or NoticeSettings(second_min=20), ("keeper",), "UTC")
    asks(before, store, *events)
    deliver(store, "keeper", max(milliseconds(one.time) for one in events))
    return queue(settings).queue_missing(store, events[0].occurrence, now_ms)


def neighbour(store: EmbeddedStore) -> list[int]:
    return [at for _, target, _, at in waiting(store) if target == "neighbour"]


def test_who_is_added_later_is_asked_about_what_nobody_has_answered(store: EmbeddedStore) -> None:
    # within the time for an answer: when that is over
    assert missing(store, event(), now_ms=NOON + 5 * MIN) == 1
    assert neighbour(store) == [NOON + AFTER]
    text = next(notice for notice in store.pending_notices() if notice.target == "neighbour")
    assert "Not acknowledged for 20 min" in text.body
    # once: neither the next start nor the next reload asks again
    assert queue().queue_missing(store, event().occurrence, NOON + 6 * MIN) == 0
    # an answer takes it away like any other
    asks(queue(), store, event("acknowledged", NOON + 7 * MIN))
    assert neighbour(store) == []


def test_who_is_added_too_late_for_waiting_is_asked_at_once(store: EmbeddedStore) -> None:
    assert missing(store, event(), now_ms=NOON + 3 * AFTER) == 1
    assert neighbour(store) == [NOON + 3 * AFTER]
    assert deliver(store, "neighbour", NOON + 3 * AFTER) == 1
    # and hears of its end
    asks(queue(), store, event("cleared", NOON + 4 * AFTER))
    assert neighbour(store) == [NOON + 4 * AFTER]


@pytest.mark.parametrize(
    "events",
    [
        [event(priority="medium")],
        [event(), event("acknowledged", NOON + MIN)],
        [event(), event("shelved", NOON + MIN)],
        [event(), event("cleared", NOON + MIN)],
        [event(), event("priority-changed", NOON + MIN, priority="medium")],
    ],
)
def test_who_is_added_later_is_not_asked_about_what_asks_nobody(
    store: EmbeddedStore, events: list[Event]
) -> None:
    assert missing(store, *events, now_ms=NOON + 9 * AFTER) == 0
    other = [event(alarm="co2-overdose"), event("priority-changed", NOON + MIN, alarm="co2-overdose")]
    assert missing(store, other[0], now_ms=NOON + 9 * AFTER) == 1


def test_the_time_for_an_answer_to_who_is_added_begins_with_the_question_that_is_open(
    store: EmbeddedStore,
) -> None:
    # urgent from the first rise on, whatever came of it after
    rise = event("priority-changed", NOON + 10 * MIN)
    worse = event("priority-changed", NOON + 15 * MIN, priority="critical")
    assert missing(store, event(priority="medium"), rise, worse, now_ms=NOON + 16 * MIN) == 1
    assert neighbour(store) == [NOON + 10 * MIN + AFTER]
    # answered, and then it grew worse
    co2 = [
        event(alarm="co2-overdose"),
        event("acknowledged", NOON + MIN, alarm="co2-overdose"),
        event("priority-changed", NOON + 12 * MIN, priority="critical", alarm="co2-overdose"),
    ]
    assert missing(store, *co2, now_ms=NOON + 16 * MIN) == 1
    assert neighbour(store) == [NOON + 10 * MIN + AFTER, NOON + 12 * MIN + AFTER]


def test_what_grows_more_urgent_asks_all_when_the_first_of_them_would_have_been(store: EmbeddedStore) -> None:
    asks(queue(), store, event())
    both = NoticeQueue(NoticeSettings(second_min=40), ("keeper",), "UTC", ("neighbour", "aunt"))
    assert both.queue_missing(store, event().occurrence, NOON + MIN) == 1
    due = {target: at for _, target, _, at in waiting(store)}
    assert due == {"keeper": NOON, "neighbour": NOON + AFTER, "aunt": NOON + 2 * AFTER}
    asks(both, store, event("priority-changed", NOON + 10 * MIN, priority="critical"))
    due = {target: at for _, target, _, at in waiting(store)}
    assert due == {"keeper": NOON + 10 * MIN, "neighbour": NOON + AFTER, "aunt": NOON + AFTER}


def test_who_is_added_in_the_quiet_hours_has_the_morning_to_wait_for(store: EmbeddedStore) -> None:
    quiet = NoticeSettings(
        quiet_from=AT_NIGHT.quiet_from, quiet_to=AT_NIGHT.quiet_to, quiet_timezone="UTC", second_min=20
    )
    lamp = event(alarm="light-missing", at_ms=NIGHT, began_ms=NIGHT)
    assert missing(store, lamp, now_ms=NIGHT + MIN, settings=quiet) == 1
    assert neighbour(store) == [MORNING + AFTER]
    # a clock that was ahead when the alarm came puts nobody off for as long
    ahead = event(alarm="co2-overdose", at_ms=NOON + 9 * AFTER)
    assert missing(store, ahead, now_ms=NIGHT + MIN, settings=quiet) == 1
    assert NIGHT + MIN + AFTER in neighbour(store)


def test_a_service_that_is_given_a_second_recipient_asks_them(store: EmbeddedStore) -> None:
    sent: list[str] = []

    def send(url: str, *text: object) -> bool:
        sent.append(url)
        return True

    def notifier(**urls: str) -> Notifier:
        return Notifier(NoticeSettings(), environment=urls, clock=lambda: NOON, sender=send)

    first = {"RUSHLIGHT_NOTICE_URLS": "json://keeper"}
    alone = notifier(**first)
    with store.transaction():
        store.add_event(event())
        alone.queue_for(event(), store, NOON)
    alone.run_once(store, NOON)
    both = notifier(**first, RUSHLIGHT_SECOND_NOTICE_URLS="json://neighbour")
    assert both.queue_missing(event().occurrence, store, NOON + 3 * AFTER) == 1
    both.run_once(store, NOON + 3 * AFTER)
    assert sent.count("json://neighbour") == 1


@pytest.mark.parametrize("url", ["https://tanks.example", "https://tanks.example/"])
def test_a_notice_leads_to_its_alarm(url: str) -> None:
    name = "alcove/probe-fault/ph/2026-03-01T02:00:00Z"
    link = f"https://tanks.example/alarm/{name}"
    body = with_links(f"Unplug it.\n\nThe rest.\n\nAlarm: {name}", url)
    assert body.split("\n\n")[:2] == ["Unplug it.", link]
    group = with_links(f"First.\n\n- one\n  Alarm: {name}\n\n- two\n  Alarm: {name}", url)
    assert group.count(f"  Alarm: {name}\n  {link}") == 2
    assert with_links(f"Alarm: {name}", None) == f"Alarm: {name}"
    assert with_links("No alarm here.", url) == "No alarm here."


def test_the_link_goes_out_with_the_notice_and_its_reminder(store: EmbeddedStore) -> None:
    bodies: list[str] = []

    def send(url: str, title: str, body: str, *more: object) -> bool:
        bodies.append(body)
        return True

    urls = {"RUSHLIGHT_NOTICE_URLS": "json://keeper"}
    notifier = Notifier(
        NoticeSettings(), environment=urls, clock=lambda: NOON, sender=send, page_url="http://192.0.2.7:8742"
    )
    with store.transaction():
        store.add_event(event())
        notifier.queue_for(event(), store, NOON)
    notifier.run_once(store, NOON)
    notifier.run_once(store, NOON + 15 * MIN)
    assert len(bodies) == 2
    assert all(f"http://192.0.2.7:8742/alarm/{event().occurrence}" in body for body in bodies)
