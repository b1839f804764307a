"""Notices: from alarm events, through the store's outbox, to people.

`Notifier.queue_for` runs inside the transaction that keeps the event, so no alarm is kept without its
notice. `Notifier.run_once` sends what is due and marks it after it was taken: killed in between, it is sent
again (at least once). A delivered notice of a high or critical alarm puts its own reminder into the outbox;
acknowledging, shelving and clearing cancel that, so reminders need no memory beside the store.

While the store can't be written, what became of notices is in memory (`rushlight.analysis.notices.memory`),
and so are the alarms that it can't take: they are sent all the same, once, and written as sent when it can be
written.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable, Mapping
from functools import partial
from typing import NamedTuple

from rushlight.analysis.notices.asking import AWAY
from rushlight.analysis.notices.batches import batches
from rushlight.analysis.notices.channels import Sender, backoff_ms, send_by_apprise, split_urls, target_name
from rushlight.analysis.notices.heartbeat import Heartbeat
from rushlight.analysis.notices.links import with_links
from rushlight.analysis.notices.memory import DUE, MemoryOutbox, is_own
from rushlight.analysis.notices.notice_store import NoticeStore
from rushlight.analysis.notices.overdue import OverdueTargets
from rushlight.analysis.notices.pictures import NoticePictures, Pictures
from rushlight.analysis.notices.queue import QUIET, STORM_MS, STORM_SIZE, NoticeQueue
from rushlight.analysis.notices.store_or_memory import NoticeKeeping
from rushlight.analysis.notices.wording import Line, Text, group_text, reminder_text
from rushlight.analysis.notices.workers import PatientSender
from rushlight.collector.events import Event
from rushlight.collector.settings import NoticeSettings, TankSettings
from rushlight.collector.store.records import Notice
from rushlight.collector.units import Display, shown, titles

__all__ = ["STORM_MS", "STORM_SIZE", "NoticeStore", "Notifier", "Pictures"]

log = logging.getLogger("rushlight.notices")

_STUCK_AFTER = 3  # failures in a row
_LATER_MS = 300_000  # until a tank that is not in the settings, or an alarm that is away, is looked for again


class Notifier:
    """Queues, sends, repeats, and says by a heartbeat that it lives.

    Parameters
    ----------
    settings : NoticeSettings
    environment : mapping, optional
        Where the URLs are; `os.environ` by default.
    clock : callable, optional
        Time now in ms UTC, for the moments after a slow sending.
    is_well : callable, optional
        Whether the service is collecting; the heartbeat stops while it is not.
    timezone : str
        Of the quiet hours where the settings name none.
    sender : Sender, optional
        How one notice reaches one URL; apprise by default, where no target holds up another.
    pictures : Pictures, optional
        Where pictures of alarms come from, for the channels that take them.
    tanks : mapping, optional
        Those of the settings; nothing is sent about others, and nobody could answer. None: any.
    units, page_url
        What people are shown (the outbox keeps °C), and the page's address for the links in notices.

    Attributes
    ----------
    heartbeat : Heartbeat
    keeping : NoticeKeeping
        Where what becomes of notices is written; how alarms reach people while the store can't be written.
    away : occurrences of what comes and goes and is not there now; their reminders wait
    """

    away: frozenset[str] = frozenset()

    def __init__(
        self,
        settings: NoticeSettings,
        *,
        environment: Mapping[str, str] | None = None,
        clock: Callable[[], int] | None = None,
        is_well: Callable[[], bool] | None = None,
        timezone: str = "UTC",
        sender: Sender | None = None,
        pictures: Pictures | None = None,
        units: Display = "metric",
        tanks: Mapping[str, TankSettings] | None = None,
        page_url: str | None = None,
    ) -> None:
        self._tanks = tanks
        self._shown = partial(shown, display=units, names=titles(tanks or {}))
        environment = os.environ if environment is None else environment
        first = {target_name(url): url for url in split_urls(environment.get(settings.urls_env, ""))}
        second = {target_name(url): url for url in split_urls(environment.get(settings.second_urls_env, ""))}
        self._first = list(first)
        self._urls = {**second, **first}
        self._page_url = page_url
        name = settings.heartbeat_url_env
        self.heartbeat = Heartbeat(environment.get(name, ""), settings.heartbeat_min, name)
        later = [name for name in second if name not in first]
        self._queue = NoticeQueue(settings, self.targets, timezone, later)
        self._clock = clock or (lambda: time.time_ns() // 1_000_000)
        self._is_well = is_well or (lambda: True)
        self._send = sender or PatientSender(send_by_apprise)
        self._pictures = NoticePictures(pictures, settings.picture_wait_s)
        # failures in a row; the order of trying, what is logged and the heartbeat hang on it, no notice does
        self._failing: dict[str, int] = {}
        self._overdue, self._began_ms = OverdueTargets(), self._clock()
        self.keeping = NoticeKeeping(self._queue, self._clock)

    def go_on_from(self, before: Notifier) -> None:
        """In its place, with other settings: what is in memory and what is known of the targets goes on."""
        self.keeping, self._overdue, self.away = before.keeping, before._overdue, before.away
        self.keeping.use(self._queue)
        self._failing = {name: count for name, count in before._failing.items() if name in self._urls}

    @property
    def targets(self) -> list[str]:
        """Short names of the channels, empty where none is set; without those who are asked second."""
        return list(self._first)

    def queue_for(self, event: Event, store: NoticeStore, now_ms: int) -> int:
        """Put what an event calls for into the outbox, in the caller's transaction; returns how many.

        To be called once for each event, that is where `add_event` has said that it is new.
        """
        return self._queue.queue_for(event, store, now_ms)

    def harm_expected(self, harm: dict[str, int]) -> None:
        """By occurrence, when harm comes as the analysis sees it now (ms UTC); what waits may wake."""
        self._queue.harm_expected(harm)

    def queue_test(self, store: NoticeStore, now_ms: int) -> int:
        """Put a test notice for every target into the outbox; returns how many (0: none is set)."""
        return self._queue.queue_test(store, now_ms)

    def queue_missing(self, occurrence: str, store: NoticeStore, now_ms: int) -> int:
        """Send an active alarm to each target that has had no notice of it, in the caller's transaction.

        For the start and for new settings: an alarm may be older than the target. Returns how many.
        """
        return self._queue.queue_missing(store, occurrence, now_ms)

    def run_once(self, store: NoticeStore | None, now_ms: int | None = None) -> int:
        """Send what is due, then the heartbeat; returns how many notices were taken.

        `store` None: it can't be opened; what is in memory is sent.
        """
        self._began_ms = self._clock()
        now_ms = self._began_ms if now_ms is None else now_ms
        if store is not None:
            self.keeping.write_back(store)
        round_ = _Round(store, self.keeping.outbox(store), now_ms)
        urgent = self._queue.urgent(round_.outbox, now_ms)
        if urgent:
            self._write(round_, urgent, partial(_put_off, {notice.id: now_ms for notice in urgent}, ""))
        by_target: dict[str, list[Notice]] = {}
        for notice in round_.outbox.due_notices(now_ms, 10_000):
            if self.keeping.outdated(notice):
                self._write(round_, [notice], partial(_cancel, notice.occurrence))
            elif why := self._waits(notice):
                self._write(round_, [notice], partial(_put_off, {notice.id: now_ms + _LATER_MS}, why))
            else:
                by_target.setdefault(notice.target, []).append(notice)
        sent = 0
        for target in sorted(by_target, key=lambda name: self._failing.get(name, 0)):
            notices = self._awake(round_, by_target[target])
            if not self._urls:
                break  # they wait until the settings name a target again
            if target in self._urls:
                sent += self._send_to(target, notices, round_)
            else:
                self._write(round_, notices, partial(self._queue.hand_over, notices, now_ms))
        self._pictures.round_over()
        self.heartbeat.beat(now_ms, lambda: self._well(round_.outbox, now_ms))
        return sent

    def _gone(self, notice: Notice) -> bool:
        """About a tank that was taken out of the settings; it may come back."""
        if self._tanks is None or is_own(notice.occurrence) or notice.transition == "test":
            return False
        return notice.occurrence.partition("/")[0] not in self._tanks

    def _waits(self, notice: Notice) -> str:
        """Why it is not sent now, "" where it is."""
        if self._gone(notice):
            return "its tank is not in the settings"
        return AWAY if notice.number and notice.occurrence in self.away else ""

    def _send_to(self, target: str, notices: list[Notice], round_: _Round) -> int:
        sent = 0
        for batch in batches(notices):
            if not is_own(batch[0].occurrence) and self._pictures.awaited(self._urls[target], batch[0]):
                continue
            if not self._deliver(round_.outbox, target, batch, round_.now_ms):
                self._write(round_, notices, partial(self._postpone, notices, batch, round_.now_ms))
                break
            self._overdue.took(target, round_.now_ms)
            self._write(round_, batch, partial(self.keeping.taken, batch, self._after(round_.now_ms)))
            sent += len(batch)
            notices = [notice for notice in notices if notice not in batch]
        return sent

    def _awake(self, round_: _Round, notices: list[Notice]) -> list[Notice]:
        """Those that may go now; what failing has pushed into the quiet hours waits for their end."""
        asleep = self._queue.asleep(round_.outbox, notices, round_.now_ms)
        if asleep:
            self._write(round_, notices, partial(_put_off, asleep, QUIET))
        return [notice for notice in notices if notice.id not in asleep]

    def _write(self, round_: _Round, notices: list[Notice], work: Callable[[NoticeStore], object]) -> None:
        self.keeping.apply(round_.store, round_.outbox, notices, work)

    def _deliver(self, store: NoticeStore, target: str, batch: list[Notice], now_ms: int) -> bool:
        """One sending for one or many notices; True where it was taken, and is to be marked so."""
        text = Text(batch[0].title, batch[0].body)
        if len(batch) == 1 and batch[0].number:
            text = self._reminder(store, batch[0], now_ms)
        elif len(batch) > 1:
            lines = []
            for notice in batch:
                sent = self._reminder(store, notice, now_ms) if notice.number else notice
                word = (notice.occurrence, notice.transition)
                lines.append(Line(*word, sent.title, sent.body, notice.priority))
            text = group_text(lines)
        text = text._replace(body=with_links(text.body, self._page_url))
        text = Text(self._shown(text.title), self._shown(text.body))
        good_news = all(notice.transition == "cleared" for notice in batch)
        priority = "cleared" if good_news else batch[0].priority
        url = self._urls[target]
        picture = self._pictures.of(url, batch[0])
        try:
            taken = picture is not None and self._send(url, text.title, text.body, priority, picture)
            # a picture that a channel won't have must not keep the words from anybody
            taken = taken or self._send(url, text.title, text.body, priority)
            why = "refused or out of reach"
        except Exception as error:
            # a plugin may raise anything; its message may hold the URL, so only its kind is logged
            taken, why = False, type(error).__name__
        if not taken:
            self._failing[target] = self._failing.get(target, 0) + 1
            if self._failing[target] in (1, 10, 100):
                log.warning("notice target %s: %s; trying again with growing pauses", target, why)
            return False
        if self._failing.pop(target, 0):
            log.info("notice target %s: takes notices again", target)
        return True

    def _reminder(self, store: NoticeStore, notice: Notice, now_ms: int) -> Text:
        events = store.events(occurrence=notice.occurrence)
        last = [event for event in events if event.event in ("raised", "priority-changed")]
        return reminder_text(last[-1], now_ms) if last else Text(notice.title, notice.body)

    def _postpone(self, notices: list[Notice], tried: list[Notice], now_ms: int, to: NoticeStore) -> None:
        """All of a failing target wait, so that its time-outs do not hold up the others."""
        for notice in notices:
            wait = backoff_ms(max(notice.attempts + 1, 1), notice.priority)
            error = "not taken by its target" if notice in tried else "its target is failing"
            to.notice_failed(notice.id, self._after(now_ms) + wait, error)

    def _after(self, now_ms: int) -> int:
        """`now_ms` and what the run has taken so far; `now_ms` may be a replay's time, not the clock's."""
        return now_ms + max(self._clock() - self._began_ms, 0)

    def _well(self, store: NoticeStore, now_ms: int) -> bool:
        """Collecting, and not stuck with notices: then silence calls for help.

        Stuck: owed to one first target for long, taken by none, or not to be written; no calibration notice.
        """
        if self.keeping.holding:
            return False
        pending = [n for n in store.pending_notices() if n.transition != DUE and not self._gone(n)]
        if self._overdue.found(pending, self._first, now_ms):
            return False
        waiting = {notice.target for notice in pending}
        self._failing = {name: count for name, count in self._failing.items() if name in waiting}
        stuck = self._failing and all(self._failing.get(name, 0) >= _STUCK_AFTER for name in self._first)
        return not (stuck and self._urls) and self._is_well()


class _Round(NamedTuple):
    """One round of sending: what it reads, what it writes to, and its time (ms UTC)."""

    store: NoticeStore | None
    outbox: MemoryOutbox
    now_ms: int


def _cancel(occurrence: str, to: NoticeStore) -> None:
    to.cancel_notices(occurrence)


def _put_off(until: Mapping[int, int], why: str, to: NoticeStore) -> None:
    for number, until_ms in until.items():
        to.notice_failed(number, until_ms, why)
