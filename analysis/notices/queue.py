"""What an event calls for: notices in the store's outbox, in the transaction of the event.

Reminders, quiet hours and storms are in the notices' own times: nothing is remembered beside the store.
"""

from __future__ import annotations

from collections.abc import Container, Sequence

from rushlight.analysis.alarms.endings import is_raised_anew, is_unseen
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.notices.asking import asks_for, question_of, raised_anew, replaced_by, transition_of
from rushlight.analysis.notices.memory import DUE, is_own
from rushlight.analysis.notices.notice_store import NoticeStore
from rushlight.analysis.notices.quiet_hours import QUIET, QuietHours, for_the_morning, harm_ms
from rushlight.analysis.notices.second import SecondRecipient, answered_text
from rushlight.analysis.notices.wording import (
    Text,
    alarm_of,
    event_text,
    milliseconds,
    reminder_text,
    test_text,
)
from rushlight.collector.events import PRIORITY_RANK, Event
from rushlight.collector.settings import NoticeSettings
from rushlight.collector.store.records import Notice

__all__ = ["QUIET", "STORM_MS", "STORM_SIZE", "NoticeQueue", "NoticeStore"]

STORM_MS = 2 * 60_000
STORM_SIZE = 3
_MOMENT_MS = 1000
_NEVER_WAITS_S = 600
_FAR_MS = 365 * 86_400_000


class NoticeQueue:
    """Puts notices into the outbox.

    Parameters
    ----------
    settings : NoticeSettings
    targets : sequence of str
        Short names of the channels.
    timezone : str
        Of the quiet hours where the settings name none.
    second : sequence of str
        Short names of the channels of who is asked where nobody answers.
    """

    def __init__(
        self, settings: NoticeSettings, targets: Sequence[str], timezone: str, second: Sequence[str] = ()
    ) -> None:
        self._targets = targets
        self._second = SecondRecipient(settings, second)
        self._quiet = QuietHours(settings, timezone)
        self._clock = LocalClock(settings.quiet_timezone or timezone)
        # by occurrence, what the analysis says now; an event says it as of its own time only
        self._harm: dict[str, int] = {}
        self._first = True
        self._resend_ms = round(min(settings.resend_min * 60_000, _FAR_MS))

    def local(self, time_ms: int) -> str:
        """A moment as people read it."""
        return self._clock.moment_text(time_ms)

    def queue_for(self, event: Event, store: NoticeStore, now_ms: int) -> int:
        """Put what an event calls for into the outbox, in the caller's transaction; returns how many.

        To be called once for each event, that is where `add_event` has said that it is new.
        """
        kind = event.event
        if kind == "unshelved" or is_raised_anew(event.summary):
            return 0  # what waits about it is taken back by the one that is raised in its place
        with store.transaction():
            question = question_of(event, store)
            turn = self._second.turn_ms(store, question)
            if kind == "raised":
                for other in replaced_by(event, store):
                    store.cancel_notices(other)
            elif not (kind == "cleared" and is_unseen(event.summary)):
                store.cancel_notices(event.occurrence)  # whatever still waits about it is out of date by this
            asked = self._second.with_word(store, question)
            if kind == "acknowledged" and asked:
                return self._answered(event, store, now_ms)
            if kind not in ("raised", "priority-changed", "cleared"):
                return 0
            if kind != "raised":
                past = [e for e in store.events(occurrence=event.occurrence) if e != event]
                if any(e.event == "shelved" for e in past):
                    return 0  # put aside by a person, who was shown it; the store keeps the rest
                if kind == "priority-changed" and not asks_for([*past, event])[0]:
                    return 0  # acknowledged, and less urgent than it was
            not_before = 0
            if not event.test:
                not_before = self._quiet_until(store, event.occurrence, event.priority, now_ms)
            if kind == "raised" and not event.test:
                not_before = max(not_before, self._storm_end(event, store, now_ms))
            text, transition = event_text(event, self._resend_ms / 60_000), transition_of(event)
            due = self._second.due_ms(event, turn, not_before, now_ms)
            rest = [target for target in self._second.targets if target not in asked]
            if due is not None and rest:
                self._queue(
                    store, event.occurrence, transition, text, event.priority, now_ms, 0, due, targets=rest
                )
            first = [*self._targets, *asked]
            return self._queue(
                store, event.occurrence, transition, text, event.priority, now_ms, 0, not_before, first
            )

    def _answered(self, event: Event, store: NoticeStore, now_ms: int) -> int:
        """Two parties were asked: both are to know who is on it."""
        there = store.targets_with_word(event.occurrence)
        both = [target for target in (*self._targets, *self._second.targets) if target in there]
        name = f"acknowledged {event.time}"
        return self._queue(store, event.occurrence, name, answered_text(event), "low", now_ms, targets=both)

    def queue_test(self, store: NoticeStore, now_ms: int) -> int:
        """Put a test notice for every target into the outbox; returns how many (0: none is set)."""
        name = f"test/{utc_text(now_ms)}"
        return self._queue(store, name, "test", test_text(self.local(now_ms)), "low", now_ms)

    def queue_own(self, store: NoticeStore, occurrence: str, transition: str, text: Text, now_ms: int) -> int:
        """A notice about Rushlight itself: high and at any hour, or low and waiting if due; how many."""
        if transition != DUE:
            return self._queue(store, occurrence, transition, text, "high", now_ms)
        until_ms = self._quiet_until(store, occurrence, "low", now_ms)
        return self._queue(store, occurrence, transition, text, "low", now_ms, not_before_ms=until_ms)

    def queue_missing(self, store: NoticeStore, occurrence: str, now_ms: int) -> int:
        """Send an alarm that wants a person to each target that has had no notice of it; returns how many."""
        events = store.events(occurrence=occurrence)
        asks, transition = asks_for(events)
        if not asks:
            return 0
        there = store.targets_with_word(occurrence)
        missing = [target for target in self._targets if target not in there]
        last = [event for event in events if event.event in ("raised", "priority-changed")][-1]
        not_before = self._quiet_until(store, occurrence, last.priority, now_ms)
        later = self._second.missing(there), self._second.late_ms(events, not_before, now_ms)
        return sum(
            self._queue(
                store,
                occurrence,
                transition,
                reminder_text(last, max(now_ms, due_ms)),
                last.priority,
                now_ms,
                not_before_ms=due_ms,
                targets=targets,
            )
            for targets, due_ms in ((missing, not_before), later)
            if targets and due_ms is not None
        )

    def still_asks(self, store: NoticeStore, notice: Notice) -> bool:
        """Whether the transition that a notice is about still speaks for an alarm that wants a person."""
        events = store.events(occurrence=notice.occurrence)
        return asks_for(events) == (True, notice.transition) and not raised_anew(events, store)

    def queue_reminder(
        self, store: NoticeStore, notice: Notice, now_ms: int, standing: Container[str] = ()
    ) -> None:
        """After a notice was taken: the one that follows where nobody acknowledges the alarm.

        `standing`: occurrences about Rushlight itself that are not over; nobody can acknowledge those.
        """
        if PRIORITY_RANK[notice.priority] < PRIORITY_RANK["high"]:
            return
        own = is_own(notice.occurrence)
        if not (notice.occurrence in standing if own else self.still_asks(store, notice)):
            return  # acknowledged, over or outdated while it was on its way
        due_ms = 0
        if not own and notice.transition != "test":
            due_ms = self._quiet_until(store, notice.occurrence, notice.priority, now_ms + self._resend_ms)
        self._queue(
            store,
            notice.occurrence,
            notice.transition,
            Text(notice.title, notice.body),
            notice.priority,
            now_ms,
            notice.number + 1,
            max(due_ms, now_ms + self._resend_ms),
            [notice.target],
        )

    def hand_over(self, notices: list[Notice], now_ms: int, store: NoticeStore) -> None:
        """The settings no longer have this target: those that are there take what it had not."""
        with store.transaction():
            for notice in notices:
                text = Text(notice.title, notice.body)
                self._queue(
                    store,
                    notice.occurrence,
                    notice.transition,
                    text,
                    notice.priority,
                    now_ms,
                    notice.number,
                )
                store.notice_failed(notice.id, now_ms + _FAR_MS, "its target is no longer in the settings")

    def asleep(self, store: NoticeStore, notices: Sequence[Notice], now_ms: int) -> dict[int, int]:
        """What failing has pushed into the quiet hours: their end (ms UTC) by the notice's id."""
        found = {}
        for notice in notices:
            if notice.transition == DUE or not (notice.transition == "test" or is_own(notice.occurrence)):
                until_ms = self._quiet_until(store, notice.occurrence, notice.priority, now_ms)
                if until_ms > now_ms:
                    found[notice.id] = until_ms
        return found

    def harm_expected(self, harm: dict[str, int]) -> None:
        """By occurrence, when harm comes as the analysis sees it now (ms UTC); from any thread."""
        self._harm = harm if self._quiet.any else {}

    def urgent(self, store: NoticeStore, now_ms: int) -> list[Notice]:
        """What waits for the morning and has become urgent since: it is due at once.

        The first time, all that waits so is looked at: the quiet hours may have been others when it began to.
        """
        harm, first = self._harm, self._first
        self._first = False
        if not harm and not first:
            return []
        found = []
        for notice in store.pending_notices():
            if not (notice.occurrence in harm or first) or self._second.waits(notice, now_ms):
                continue
            if not for_the_morning(notice, now_ms, self._resend_ms, STORM_MS if first else -1):
                continue
            if not self._quiet_until(store, notice.occurrence, notice.priority, now_ms):
                found.append(notice)
        return found

    def _quiet_until(self, store: NoticeStore, occurrence: str, priority: str, at_ms: int) -> int:
        """End of the quiet hours where this may wait for it, else 0; by the earliest word on the harm."""
        if not self._quiet.any:
            return 0
        said = (self._harm.get(occurrence), harm_ms(store.events(occurrence=occurrence)))
        known = [moment for moment in said if moment is not None]
        return self._quiet.end_ms(alarm_of(occurrence), priority, at_ms, min(known, default=None))

    def _queue(
        self,
        store: NoticeStore,
        occurrence: str,
        transition: str,
        text: Text,
        priority: str,
        now_ms: int,
        number: int = 0,
        not_before_ms: int = 0,
        targets: Sequence[str] | None = None,
    ) -> int:
        with store.transaction():
            return sum(
                store.queue_notice(
                    occurrence=occurrence,
                    transition=transition,
                    target=target,
                    title=text.title,
                    body=text.body,
                    priority=priority,
                    created_ms=now_ms,
                    number=number,
                    not_before_ms=not_before_ms,
                )
                for target in (self._targets if targets is None else targets)
            )

    def _storm_end(self, event: Event, store: NoticeStore, now_ms: int) -> int:
        """0, or until when the later alarms of a storm are gathered into one notice.

        Alarms of the same moment need no waiting: they are due together. What is critical or leaves little
        time never waits.
        """
        if event.priority == "critical" or (
            event.time_left_s is not None and event.time_left_s < _NEVER_WAITS_S
        ):
            return 0
        at_ms = milliseconds(event.time)
        recent = [
            time_ms
            for other in store.events(since_ms=now_ms - STORM_MS)
            if other.event == "raised"
            and not other.test
            and other.occurrence != event.occurrence
            and abs((time_ms := milliseconds(other.time)) - at_ms) >= _MOMENT_MS
            and time_ms < now_ms + STORM_MS  # not of a clock that was ahead
        ]
        return min(recent) + STORM_MS if len(recent) >= STORM_SIZE - 1 else 0
