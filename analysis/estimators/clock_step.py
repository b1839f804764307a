"""A clock that was put back: what is remembered follows it.

Whoever was ahead and is put right would otherwise wait for as long as it was ahead: every "since", "until"
and "last" lies in the future then. So the times are moved back with it. Where the step back undoes a leap
ahead, only what was remembered since that leap moves, and what was true before stays as it was. Where no
leap is known (it was ahead from the beginning), everything moves, and nobody sees a step at all.
"""

from __future__ import annotations

from typing import Any, TypeVar

import msgspec

from rushlight.analysis.estimators.numbers import CLOCK

__all__ = ["moved_back"]

State = TypeVar("State")


def moved_back(state: State, by_ms: int, from_ms: int = 0) -> State:
    """A copy of `state` in which every time from `from_ms` on lies `by_ms` earlier.

    Parameters
    ----------
    state : msgspec.Struct
        Of plain values; its times are whole numbers, ms since 1970.
    by_ms : int
    from_ms : int
        Earlier ones stay; all times are moved by default.
    """
    least = max(from_ms, CLOCK.times_from_ms)

    def moved(value: Any) -> Any:
        if type(value) is int:
            return value - by_ms if value >= least else value
        if type(value) is list:
            return [moved(one) for one in value]
        if type(value) is dict:
            return {key: moved(one) for key, one in value.items()}
        return value

    plain = msgspec.msgpack.decode(msgspec.msgpack.encode(state), strict=False)
    return msgspec.msgpack.decode(msgspec.msgpack.encode(moved(plain)), type=type(state))
