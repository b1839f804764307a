"""Whom a process reaches: how many notice targets it has, and how its heartbeat does."""

from __future__ import annotations

import msgspec

from rushlight.analysis.notices.notifier import Notifier

__all__ = ["Reach", "reach_of"]


class Reach(msgspec.Struct, frozen=True):
    """`targets`: how many; `heartbeat`: an address is set; when it answered last (ms UTC, -1 never), and
    whether it failed when it was asked last.
    """

    targets: int
    heartbeat: bool
    answered_ms: int
    failed: bool


def reach_of(notifier: Notifier) -> str:
    """What this process has, to be sent to whoever asks."""
    beat = notifier.heartbeat
    found = Reach(len(notifier.targets), beat.set, beat.answered_ms, beat.failed)
    return msgspec.json.encode(found).decode()
