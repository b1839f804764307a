"""Another program with our name at a broker: each of the two ends the other's connection, over and over.

What devices publish goes now to one and now to the other. So readings seem to arrive, and most are lost.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol, runtime_checkable

__all__ = ["Contest", "Contested", "contested", "undisturbed"]

_SHORT_MS = 10_000
_SHORT_ONES = 3
_REMEMBERED_MS = 300_000
"""A connection that holds for so long is ours alone. Common practice, no source."""


class Contest:
    """Counts connections in a row that were lost right after they were made; times in ms of the clock."""

    def __init__(self) -> None:
        self._connected_ms = 0
        self._lost_ms = 0
        self._short_ones = 0

    def connected(self, now_ms: int) -> None:
        """A connection was made."""
        self._connected_ms = now_ms

    def lost(self, now_ms: int, taken_over: bool) -> bool:
        """It was lost; True where that looks like a contest. `taken_over`: the broker says that it is one."""
        short = 0 <= now_ms - self._connected_ms < _SHORT_MS
        self._short_ones = max(self._short_ones + 1, _SHORT_ONES * taken_over) if short or taken_over else 0
        self._lost_ms = now_ms
        return self._short_ones >= _SHORT_ONES

    def goes_on(self, now_ms: int) -> bool:
        """Whether there is one now."""
        return self._short_ones >= _SHORT_ONES and abs(now_ms - self._lost_ms) < _REMEMBERED_MS


@runtime_checkable
class Contested(Protocol):
    """A link that another program can throw out."""

    def contested(self) -> bool:
        """Whether one does so now."""


def contested(links: Iterable[object]) -> list[str]:
    """Names of the links that are in a contest."""
    found = [link for link in links if isinstance(link, Contested) and link.contested()]
    return [str(getattr(link, "name", "the broker")) for link in found]


def undisturbed(links: Iterable[object]) -> bool:
    """Whether no link is in a contest; then what arrives is all that there is."""
    return not contested(links)
