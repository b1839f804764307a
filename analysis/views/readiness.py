"""Is a tank ready for animals? By the keeper's own tests of ammonia and nitrite.

A biological filter takes weeks to begin; common practice, no source: no ammonia and no nitrite over
several days.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

from rushlight.collector.store.log_entry import LogEntry

__all__ = ["Readiness", "readiness"]

_DAY_MS = 86_400_000
_CLEAR_DAYS = 5  # both at zero over so many days
_FRESH_DAYS = 3  # the last test is no older
_OLD_DAYS = 60  # a tank that has been watched for so long is no new one


class Readiness(NamedTuple):
    """ "ready", "wait", "don't" or "old": watched for long, and no test says otherwise."""

    answer: Literal["ready", "wait", "don't", "old"]
    words: str


def readiness(log: Sequence[LogEntry], since_ms: int | None, now_ms: int) -> Readiness:
    """What the log says.

    Parameters
    ----------
    since_ms : int or None
        When the tank was set up, or its first reading (ms UTC).
    """
    tests = {
        name: [(entry.time_ms, entry.tests[name]) for entry in log if name in entry.tests]
        for name in ("ammonia", "nitrite")
    }
    age_days = None if since_ms is None else (now_ms - since_ms) // _DAY_MS
    for name, rows in tests.items():
        if rows and rows[-1][1] > 0 and now_ms - rows[-1][0] < 14 * _DAY_MS:
            return Readiness("don't", f"the last {name} test showed {rows[-1][1]:g} mg/L: it must be 0")
    if not all(tests.values()):
        missing = " and ".join(name for name, rows in tests.items() if not rows)
        if age_days is not None and age_days >= _OLD_DAYS:
            return Readiness("old", f"no test of {missing} is in the log; the tank has run {age_days} days")
        return Readiness("wait", f"no test of {missing} is in the log; make these tests and note them")
    for name, rows in tests.items():
        age = (now_ms - rows[-1][0]) // _DAY_MS
        if age > _FRESH_DAYS:
            return Readiness("wait", f"the last {name} test is {age} days old: test again")
        clear_since = rows[-1][0]
        for time_ms, value in reversed(rows):
            if value > 0:
                break
            clear_since = time_ms
        days = (rows[-1][0] - clear_since) / _DAY_MS
        if days < _CLEAR_DAYS:
            return Readiness(
                "wait", f"{name} has been 0 over {days:.0f} days of tests; see it so over {_CLEAR_DAYS} days"
            )
    return Readiness("ready", f"ammonia and nitrite have been 0 over {_CLEAR_DAYS} days and more")
