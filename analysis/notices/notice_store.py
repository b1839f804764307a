"""What notices need of the store."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Protocol

from rushlight.collector.events import Event
from rushlight.collector.store.records import Notice

__all__ = ["NoticeStore"]


class NoticeStore(Protocol):
    """What notices need of the store (`rushlight.collector.store.embedded` has it)."""

    def transaction(self) -> AbstractContextManager[None]: ...
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
    ) -> bool: ...
    def due_notices(self, now_ms: int, limit: int = 100) -> list[Notice]: ...
    def notice_delivered(self, number: int, now_ms: int) -> None: ...
    def pending_notices(self) -> list[Notice]: ...
    def notices(self, occurrence: str) -> list[Notice]: ...
    def notice_failed(self, number: int, next_attempt_ms: int, error: str) -> None: ...
    def cancel_notices(self, occurrence: str) -> int: ...
    def keep_notice(self, notice: Notice, cancelled: bool) -> None: ...
    def targets_with_word(self, occurrence: str) -> set[str]: ...
    def events(
        self,
        tank: str | None = None,
        since_ms: int | None = None,
        limit: int | None = None,
        occurrence: str | None = None,
    ) -> list[Event]: ...
