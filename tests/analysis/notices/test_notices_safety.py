"""Notices at the places where a small fault would lose one, or send it without end, unseen."""

from __future__ import annotations

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.notices.channels import target_name
from rushlight.collector.settings import NoticeSettings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.notices.test_notices import MIN, T0, Inbox, finding, inbox, keep, notifier, second, store

__all__ = ["inbox", "second", "store"]  # the fixtures


def test_what_a_removed_target_had_not_is_handed_over_once_and_waits_no_more(
    inbox: Inbox, second: Inbox, store: EmbeddedStore
) -> None:
    gone, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    inbox.status = 500
    keep(gone, store, book.update([finding()], T0), T0)
    assert gone.run_once(store, T0) == 0
    there = notifier(second)
    now = T0 + 10 * MIN
    there.run_once(store, now)  # hands it over
    assert there.run_once(store, now) == 1
    assert len(second.posts) == 1
    assert [n.target for n in store.due_notices(now + 60 * MIN)] == [target_name(second.url)]  # its reminder
    for minute in range(11, 20):
        assert there.run_once(store, T0 + minute * MIN) == 0
    assert len(second.posts) == 1


def test_each_target_has_its_own_notice_and_a_failing_one_costs_the_other_nothing(
    inbox: Inbox, second: Inbox, store: EmbeddedStore
) -> None:
    both, book = notifier(inbox, second), AlarmBook("alcove", "Alcove")
    inbox.status = 503
    keep(both, store, book.update([finding()], T0), T0)
    assert both.run_once(store, T0) == 1
    assert (len(inbox.posts), len(second.posts)) == (0, 1)
    inbox.status = 200
    for minute in range(1, 10):
        both.run_once(store, T0 + minute * MIN)
    assert (len(inbox.posts), len(second.posts)) == (
        1,
        1,
    )  # the first reminder is due after a quarter of an hour
    (occurrence,) = {e.occurrence for e in store.events()}
    first = [n for n in store.notices(occurrence) if n.number == 0]
    assert sorted(n.target for n in first) == sorted(both.targets)
    assert all(n.delivered_ms is not None for n in first)


def test_a_notice_that_was_taken_is_marked_in_one_step_with_its_reminder(
    inbox: Inbox, store: EmbeddedStore
) -> None:
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding()], T0), T0)
    assert notices.run_once(store, T0) == 1
    (occurrence,) = {e.occurrence for e in store.events()}
    first, reminder = store.notices(occurrence)
    assert (first.number, first.attempts, first.error) == (0, 1, "") and first.delivered_ms is not None
    assert (reminder.number, reminder.target, reminder.delivered_ms) == (1, first.target, None)
    assert reminder.next_attempt_ms == T0 + 15 * MIN  # the contract's resend_min = 15
    assert notices.run_once(store, T0 + 15 * MIN - 1) == 0
    assert notices.run_once(store, T0 + 15 * MIN) == 1


def test_what_failing_has_pushed_into_the_quiet_hours_waits_for_their_end(
    inbox: Inbox, store: EmbeddedStore
) -> None:
    settings = NoticeSettings(quiet_from="22:00", quiet_to="07:30", quiet_timezone="UTC")
    notices, book = notifier(inbox, settings=settings), AlarmBook("alcove", "Alcove")
    evening = T0 + round((21 + 59 / 60 - (2 + 14 / 60 + 10 / 3600)) * 60 * MIN)  # 21:59 of the day of T0
    inbox.status = 503
    keep(notices, store, book.update([finding("light-dimming", "low", None)], evening), evening)
    assert notices.run_once(store, evening) == 0
    inbox.status = 200
    tried = inbox.tries
    for minute in range(5, 560, 60):
        assert notices.run_once(store, evening + minute * MIN) == 0
    assert inbox.tries == tried
    assert notices.run_once(store, evening + (9 * 60 + 32) * MIN) == 1  # 07:31
