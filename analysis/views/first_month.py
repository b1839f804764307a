"""A new tank's first weeks: what is due, and when animals can go in. Common practice, no source."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import NamedTuple

from rushlight.analysis.detectors.gas.numbers import HARDNESS
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.views.readiness import readiness
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["first_month_lines"]

_DAY_MS = 86_400_000


class _Due(NamedTuple):
    """What is to be done every so many days."""

    every_days: int
    text: str


_TESTS = {
    "ammonia": _Due(3, "test ammonia"),
    "nitrite": _Due(3, "test nitrite"),
    "kh": _Due(7, "test KH"),
}
_SOIL_KH = _Due(3, "test KH: the soil takes up hardness, and CO2 is estimated with it")
_CHANGE = _Due(7, "change a fifth to a third of the water")
_SOIL_CHANGE = _Due(3, "change a third of the water: new soil gives off ammonia")


def first_month_lines(name: str, tank: TankSettings, log: Sequence[LogEntry], now_ms: int) -> list[str]:
    """Lines about a tank that was started within the month by its settings; else none.

    Parameters
    ----------
    log : sequence of LogEntry
        Of this tank, by time.
    """
    if tank.started is None:
        return []
    clock = LocalClock(tank.timezone)
    began = tank.started.toordinal() - datetime.date.fromisoformat("1970-01-01").toordinal()
    day = clock.local(now_ms)[0] - began
    if not 0 <= day < HARDNESS.first_days:
        return []
    lines = [f"new tank: day {day + 1} of {HARDNESS.first_days}"]
    soil = tank.water.active_soil
    for test, due in _TESTS.items():
        if test == "kh" and soil:
            due = _SOIL_KH
        last = max((entry.time_ms for entry in log if test in entry.tests), default=None)
        if last is None or now_ms - last >= due.every_days * _DAY_MS:
            lines.append(f"due: {due.text} (rushlight note {name} --{test} …)")
    change = _SOIL_CHANGE if soil and day < 14 else _CHANGE
    last = max((entry.time_ms for entry in log if entry.changed_share), default=None)
    first_ms = now_ms - day * _DAY_MS
    if now_ms - (first_ms if last is None else last) >= change.every_days * _DAY_MS:
        lines.append(f"due: {change.text} (rushlight note {name} --changed 30%)")
    ready = readiness(log, now_ms - day * _DAY_MS, now_ms)
    word = "can go in" if ready.answer == "ready" else "can't go in yet"
    lines.append(f"animals {word}: {ready.words}")
    return lines
