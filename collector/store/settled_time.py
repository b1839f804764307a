"""A time that old data may be judged by: one reading of a clock that has leapt must not delete anything.

It follows the clock, but ahead it goes at most twice as fast as the service runs. A clock that is 500 days
ahead for a minute moves it by two, and 500 days of running by that clock are needed before all is believed.
After a time in which the service was off it lags behind, drops a little later than it might, and catches up
in as long. A clock that was put back is followed at once: that keeps more, not less.
"""

from __future__ import annotations

from typing import Protocol

import msgspec

from rushlight.collector.readings import Reading

__all__ = ["settled_ms"]

_META = "settled-time"
_FASTER = 2  # common practice, no source
_AT_FIRST_MS = 2 * 86_400_000  # behind the newest reading, where nothing is remembered yet
_MOMENT_MS = 60_000
_AT_ONCE_MS = 3_600_000  # between two calls the service may have run for so long: they come every ten minutes


class _Settled(msgspec.Struct):
    time_ms: int
    clock_ms: int


class _Store(Protocol):
    def get_meta(self, key: str) -> str | None: ...
    def set_meta(self, key: str, value: str) -> None: ...
    def tanks(self) -> list[str]: ...
    def latest(self, tank: str, until_ms: int | None = None) -> dict[str, Reading]: ...


def settled_ms(store: _Store, now_ms: int) -> int:
    """The time (ms UTC) by which old data are dropped; at most `now_ms`. Remembers it in the store.

    In a store where nothing is remembered yet it is at most two days after the newest reading that is not in
    the future.

    Raises
    ------
    StoreError
        The store can't be read or written.
    """
    before = _remembered(store)
    if before is None:
        newest = [r.time_ms for tank in store.tanks() for r in store.latest(tank, now_ms).values()]
        last_ms = max((time_ms for time_ms in newest if time_ms <= now_ms), default=now_ms)
        before = _Settled(min(now_ms, last_ms + _AT_FIRST_MS), now_ms)
    elif 0 <= now_ms - before.clock_ms < _MOMENT_MS:
        return min(now_ms, before.time_ms)  # one commit for many helpings
    ran_ms = min(max(now_ms - before.clock_ms, 0), _AT_ONCE_MS)
    time_ms = min(now_ms, before.time_ms + _FASTER * ran_ms)
    store.set_meta(_META, msgspec.json.encode(_Settled(time_ms, now_ms)).decode())
    return time_ms


def _remembered(store: _Store) -> _Settled | None:
    text = store.get_meta(_META)
    try:
        return None if text is None else msgspec.json.decode(text, type=_Settled)
    except msgspec.MsgspecError:
        return None  # another version's
