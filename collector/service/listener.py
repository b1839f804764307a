"""Who makes something of the readings, and what the service reports of its links."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Protocol

import msgspec

from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["LINKS_META", "LinkReport", "Listener", "system_clock"]

LINKS_META = "links"
"""Name under which the store keeps the links' counters, as JSON: a list of `LinkReport`."""


def system_clock() -> int:
    """The clock of a running service: ms since 1970, UTC."""
    return time.time_ns() // 1_000_000


class LinkReport(msgspec.Struct):
    """How a link does, for `status`: its counters, and when it last delivered (ms, 0: not yet)."""

    name: str
    counters: dict[str, int]
    last_ms: int = 0


class Listener(Protocol):
    """Who makes something of the readings.

    `take`, `tick`, `device` and `poll` change memory only. `keep` writes what came of them, inside the
    transaction of the readings; it may be called again for the same, until `kept` says that it is on disk.
    """

    def take(self, readings: Sequence[Reading], now_ms: int) -> None:
        """A batch of flagged readings in order of arrival; each is given exactly once."""

    def device(self, tank: str, online: bool, now_ms: int) -> None:
        """A device has said that it is there, or its last will that it is not."""

    def tick(self, now_ms: int) -> None:
        """Time passes, about every five seconds."""

    def poll(self, store: EmbeddedStore, now_ms: int) -> None:
        """Look for what people ask for, about every second."""

    def wants(self, now_ms: int) -> bool:
        """Whether there is something to keep although no reading has come."""

    def keep(self, store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        """Write, inside the open transaction."""

    def kept(self, now_ms: int) -> None:
        """What `keep` wrote is committed."""

    def hold(self, store: EmbeddedStore, now_ms: int, why: str) -> None:
        """It can't be committed now, for the reason that `why` says: tell people from memory.

        Called four times a second or less until it can; the store may be read, and may fail at that.
        """
