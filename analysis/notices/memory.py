"""What can't be stored of notices: kept in memory, and written as soon as it can be.

Two things come here. What a target has taken while the store could not be written: it must not be sent again.
And alarms whose events can't be kept yet: they reach people from memory, through the same queue and the same
sending; once the store takes the events it takes their notices with them, as they are by then.

What is in memory counts, the store's row of the same notice does not.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import NamedTuple, TypeVar

from rushlight.analysis.notices.notice_store import NoticeStore
from rushlight.analysis.notices.wording import milliseconds
from rushlight.collector.errors import StoreError
from rushlight.collector.events import PRIORITY_RANK, Event
from rushlight.collector.store.records import Notice

__all__ = ["DUE", "OWN", "Held", "MemoryOutbox", "NoticeMemory", "is_own"]

OWN = "_service/"
"""Before the occurrence of a notice about Rushlight itself; no tank's name begins so."""
DUE = "due"
"""Transition of a reminder: nothing goes on, so it holds after a restart too, and it wakes nobody."""

Key = tuple[str, str, int, str]
_T = TypeVar("_T")


def is_own(occurrence: str) -> bool:
    """Whether a notice is about Rushlight itself, not about a tank."""
    return occurrence.startswith(OWN)


class Held(NamedTuple):
    """A notice as it is in memory."""

    notice: Notice
    cancelled: bool = False

    @property
    def open(self) -> bool:
        """It still waits to be taken."""
        return self.notice.delivered_ms is None and not self.cancelled


class NoticeMemory:
    """Notices and events that are not in the store yet; safe to use from several threads.

    Attributes
    ----------
    standing : set of str
        Occurrences about Rushlight itself that are not over.
    """

    def __init__(self) -> None:
        self.standing: set[str] = set()
        self._lock = threading.Lock()
        self._held: dict[Key, Held] = {}
        self._events: list[Event] = []
        self._number = 0

    def __len__(self) -> int:
        return len(self._held)

    @property
    def holds_events(self) -> bool:
        """Whether alarms wait here for the store to take them."""
        return bool(self._events)

    def hold_event(self, event: Event) -> None:
        """Remember an event that the store does not have."""
        with self._lock:
            self._events.append(event)

    def events(self) -> list[Event]:
        """Those that the store does not have, in order."""
        with self._lock:
            return list(self._events)

    def held(self) -> dict[Key, Held]:
        """All notices, as they are now."""
        with self._lock:
            return dict(self._held)

    def put(self, notice: Notice, cancelled: bool = False) -> None:
        """A notice as it is from now on."""
        with self._lock:
            self._held[key_of(notice)] = Held(notice, cancelled)

    def put_new(self, notice: Notice) -> bool:
        """Add one; False where it is there already."""
        with self._lock:
            if key_of(notice) in self._held:
                return False
            self._number -= 1  # never the number of a row
            self._held[key_of(notice)] = Held(notice._replace(id=self._number))
            return True

    def change(self, notice: Notice, change: Callable[[Notice], Notice], cancelled: bool = False) -> None:
        """Change a notice: as it is here, or else as given."""
        with self._lock:
            key = key_of(notice)
            held = self._held.get(key, Held(notice))
            self._held[key] = Held(change(held.notice), held.cancelled or cancelled)

    def forget(self, written: dict[Key, Held], events: Sequence[Event] = ()) -> None:
        """The store has these now; what has changed since stays."""
        with self._lock:
            for key, held in written.items():
                if self._held.get(key) is held:
                    del self._held[key]
            self._events = [event for event in self._events if event not in events]


class MemoryOutbox:
    """The outbox as it would be if the store could be written: reads see both, writes go to memory.

    Parameters
    ----------
    memory : NoticeMemory
    store : NoticeStore or None
        Read where it can be; what can't be read is left out.
    failed : callable, optional
        Called with a store that can't be read.
    """

    def __init__(
        self,
        memory: NoticeMemory,
        store: NoticeStore | None,
        failed: Callable[[StoreError], None] | None = None,
    ) -> None:
        self._memory = memory
        self._store = store
        self._failed = failed
        self._known: dict[int, Notice] = {}

    def transaction(self) -> AbstractContextManager[None]:
        """Nothing to join: each write is whole by itself."""
        return nullcontext()

    def queue_notice(
        self,
        *,
        occurrence: str,
        transition: str,
        target: str,
        title: str,
        body: str,
        priority: str,
        created_ms: int,
        number: int = 0,
        not_before_ms: int = 0,
    ) -> bool:
        """See `rushlight.collector.store.outbox.Outbox`."""
        notice = Notice(
            0,
            occurrence,
            transition,
            number,
            target,
            title,
            body,
            priority,
            not_before_ms,
            created_ms,
            0,
            max(not_before_ms, created_ms),
            None,
            "",
        )
        there = self._read(lambda store: store.notices(occurrence))
        if key_of(notice) in {key_of(other) for other in there}:
            return False
        return self._memory.put_new(notice)

    def due_notices(self, now_ms: int, limit: int = 100) -> list[Notice]:
        """See `rushlight.collector.store.outbox.Outbox`."""
        stored = self._read(lambda store: store.due_notices(now_ms, limit))
        due = [n for n in self._overlaid(stored) if n.next_attempt_ms <= now_ms]
        return sorted(due, key=lambda n: (-PRIORITY_RANK[n.priority], n.created_ms))[:limit]

    def pending_notices(self) -> list[Notice]:
        """See `rushlight.collector.store.outbox.Outbox`."""
        return self._overlaid(self._read(lambda store: store.pending_notices()))

    def notices(self, occurrence: str) -> list[Notice]:
        """See `rushlight.collector.store.outbox.Outbox`."""
        held = self._memory.held()
        stored = self._read(lambda store: store.notices(occurrence))
        found = [n for n in stored if key_of(n) not in held]
        return found + [h.notice for h in held.values() if h.notice.occurrence == occurrence]

    def notice_delivered(self, number: int, now_ms: int) -> None:
        """See `rushlight.collector.store.outbox.Outbox`."""
        self._memory.change(
            self._known[number],
            lambda n: n._replace(delivered_ms=now_ms, attempts=n.attempts + 1, error=""),
        )

    def notice_failed(self, number: int, next_attempt_ms: int, error: str) -> None:
        """See `rushlight.collector.store.outbox.Outbox`."""
        self._memory.change(
            self._known[number],
            lambda n: n._replace(next_attempt_ms=next_attempt_ms, attempts=n.attempts + 1, error=error[:500]),
        )

    def cancel_notices(self, occurrence: str) -> int:
        """See `rushlight.collector.store.outbox.Outbox`."""
        waiting = [n for n in self.pending_notices() if n.occurrence == occurrence]
        for notice in waiting:
            self._memory.change(notice, lambda n: n, cancelled=True)
        return len(waiting)

    def keep_notice(self, notice: Notice, cancelled: bool) -> None:
        """See `rushlight.collector.store.outbox.Outbox`."""
        self._memory.put(notice, cancelled)

    def targets_with_word(self, occurrence: str) -> set[str]:
        """See `rushlight.collector.store.outbox.Outbox`."""
        stored: set[str] = set()
        if self._store is not None:
            try:
                stored = self._store.targets_with_word(occurrence)
            except StoreError as error:
                self._say(error)
        held = [h for h in self._memory.held().values() if h.notice.occurrence == occurrence]
        return stored | {h.notice.target for h in held if not h.cancelled}

    def events(
        self,
        tank: str | None = None,
        since_ms: int | None = None,
        limit: int | None = None,
        occurrence: str | None = None,
    ) -> list[Event]:
        """See `rushlight.collector.store.events.AlarmLog`."""
        found = self._read(lambda store: store.events(tank, since_ms, None, occurrence))
        found += [
            event
            for event in self._memory.events()
            if tank in (None, event.tank)
            and occurrence in (None, event.occurrence)
            and (since_ms is None or milliseconds(event.time) >= since_ms)
            and event not in found
        ]
        return found if limit is None else found[-limit:]

    def _overlaid(self, stored: list[Notice]) -> list[Notice]:
        held = self._memory.held()
        found = [n for n in stored if key_of(n) not in held]
        found += [h.notice for h in held.values() if h.open]
        self._known.update((n.id, n) for n in found)
        return found

    def _read(self, read: Callable[[NoticeStore], list[_T]]) -> list[_T]:
        if self._store is None:
            return []
        try:
            return read(self._store)
        except StoreError as error:
            self._say(error)
            return []

    def _say(self, error: StoreError) -> None:
        if self._failed is not None:
            self._failed(error)


def key_of(notice: Notice) -> Key:
    """What makes a notice the same one."""
    return notice.occurrence, notice.transition, notice.number, notice.target
