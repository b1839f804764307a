"""Where what becomes of notices is written: to the store, or to memory until the store can be written.

While the store can't be written, alarms reach people all the same: the service hands their events to `hold`,
the sending goes on from memory, and once the store takes the events (`keep_held`, in their transaction) it
takes the notices with them as they are by then. So a target gets each once, unless the service is killed
in between: then what was sent and could not be written is sent again.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping

from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.notices.memory import DUE, OWN, Held, Key, MemoryOutbox, NoticeMemory, is_own
from rushlight.analysis.notices.notice_store import NoticeStore
from rushlight.analysis.notices.queue import NoticeQueue
from rushlight.analysis.notices.wording import Text, kept_again_text, unkept_text
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.store.records import Notice

__all__ = ["NoticeKeeping"]

log = logging.getLogger("rushlight.notices")

_UNKEPT = "readings-not-kept"


class NoticeKeeping:
    """The writing side of the notices; safe to use from the service's and the sender's thread.

    Parameters
    ----------
    queue : NoticeQueue
    clock : callable
        Only for the log's rate limit.
    """

    def __init__(self, queue: NoticeQueue, clock: Clock) -> None:
        self._queue = queue
        self._say = ClearLog(log, clock)
        self._memory = NoticeMemory()
        self._written: tuple[dict[Key, Held], list[Event]] = {}, []
        self._own: dict[str, str] = {}  # by kind, the occurrence of what is wrong with Rushlight itself
        self._unkept_ms = 0

    def use(self, queue: NoticeQueue) -> None:
        """Other settings: what is in memory goes on."""
        self._queue = queue

    @property
    def holding(self) -> bool:
        """Whether anything is in memory that the store does not have: new events go there too then."""
        return len(self._memory) > 0 or self._memory.holds_events

    def outbox(self, store: NoticeStore | None) -> MemoryOutbox:
        """Store and memory as one; writes go to memory."""
        return MemoryOutbox(self._memory, store, self._complain)

    # -- the service's side -----------------------------------------------------------------------------

    def hold(self, event: Event, store: NoticeStore, now_ms: int) -> None:
        """Send an event that the store can't take now; one that is known already is left alone."""
        outbox = self.outbox(store)
        known = outbox.events(occurrence=event.occurrence)
        if not any((other.event, other.time) == (event.event, event.time) for other in known):
            self._memory.hold_event(event)
            self._queue.queue_for(event, outbox, now_ms)

    def keep_held(self, store: NoticeStore) -> None:
        """Write what is in memory, in the caller's transaction, which has written the events."""
        self._written = self._memory.held(), self._memory.events()
        self._write(store, self._written[0])

    def kept_held(self) -> None:
        """That transaction is on the disk."""
        self._memory.forget(*self._written)
        self._written = {}, []

    def unkept(self, store: NoticeStore, since_ms: int, now_ms: int, why: str) -> None:
        """Say, once, that readings can't be kept; it is repeated until `kept_again`."""
        if _UNKEPT not in self._own:
            self.own_begins(_UNKEPT, lambda since: unkept_text(since, why), store, since_ms, now_ms)
            self._unkept_ms = since_ms

    def kept_again(self, now_ms: int) -> None:
        """Say that this is over; nothing where it was never said."""
        self.own_ends(_UNKEPT, kept_again_text, self._unkept_ms, now_ms)

    def own_begins(
        self, kind: str, text: Callable[[str], Text], store: NoticeStore, since_ms: int, now_ms: int
    ) -> None:
        """Say, once, that something is wrong with Rushlight itself; it is repeated until `own_ends`.

        `text`: the words, of the moment since when as people read it.
        """
        if kind in self._own:
            return
        name = self._own[kind] = f"{OWN}{kind}/{utc_text(now_ms)}"
        self._memory.standing.add(name)
        words = text(self._queue.local(since_ms))
        self._queue.queue_own(self.outbox(store), name, "raised", words, now_ms)

    def own_ends(self, kind: str, text: Callable[[str, str], Text], since_ms: int, now_ms: int) -> None:
        """Say that this is over, with since and until when; nothing where it was never said."""
        name = self._own.pop(kind, None)
        if name is None:
            return
        self._memory.standing.discard(name)
        # what waits is in memory; were it written a moment ago, `outdated` would find it
        outbox = self.outbox(None)
        outbox.cancel_notices(name)
        words = text(self._queue.local(since_ms), self._queue.local(now_ms))
        self._queue.queue_own(outbox, name, "cleared", words, now_ms)

    def remind(self, store: NoticeStore, occurrence: str, text: Text, now_ms: int) -> int:
        """Queue what is due, about Rushlight itself, in the caller's transaction; returns how many."""
        return self._queue.queue_own(store, occurrence, DUE, text, now_ms)

    # -- the sender's side ------------------------------------------------------------------------------

    def write_back(self, store: NoticeStore) -> None:
        """Write what is in memory, unless events have to be written first: the service does that."""
        if not len(self._memory) or self._memory.holds_events:
            return
        held = self._memory.held()
        try:
            with store.transaction():
                self._write(store, held)
        except StoreError as error:
            self._complain(error)
            return
        self._memory.forget(held)
        self._say.over("store", "what became of notices is written")

    def apply(
        self,
        store: NoticeStore | None,
        outbox: MemoryOutbox,
        notices: Iterable[Notice],
        work: Callable[[NoticeStore], object],
    ) -> None:
        """Do `work` on notices in one transaction of the store, or in memory where that can't be.

        Also in memory where something is there that must be written first, and where a notice came from
        there: its row has another number.
        """
        known = all(notice.id > 0 for notice in notices)
        if store is not None and known and not self.holding:
            try:
                with store.transaction():
                    work(store)
                return
            except StoreError as error:
                self._complain(error)
        work(outbox)

    def taken(self, notices: list[Notice], done_ms: int, to: NoticeStore) -> None:
        """A target has taken these; the next ones about the same, where nobody answers, are queued."""
        for notice in notices:
            to.notice_delivered(notice.id, done_ms)
            self._queue.queue_reminder(to, notice, done_ms, self._memory.standing)

    def outdated(self, notice: Notice) -> bool:
        """What an earlier run of the service said of itself, and could not take back any more."""
        own = is_own(notice.occurrence) and notice.transition not in ("cleared", DUE)
        return own and notice.occurrence not in self._memory.standing

    def _write(self, store: NoticeStore, held: Mapping[Key, Held]) -> None:
        for notice, cancelled in held.values():
            # somebody may have answered meanwhile
            reminder = notice.number > 0 and notice.delivered_ms is None and not is_own(notice.occurrence)
            answered = reminder and not self._queue.still_asks(store, notice)
            store.keep_notice(notice, cancelled or answered)

    def _complain(self, error: StoreError) -> None:
        self._say.say("store", f"{error}; what becomes of notices is kept in memory until it can be written")
