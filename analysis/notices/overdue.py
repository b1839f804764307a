"""Targets that have not taken an urgent alarm for longer than they should have: one of several may be dead.

Who hears only by that target hears nothing, whatever the others take. So the heartbeat stops for it.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable

from rushlight.analysis.notices.asking import AWAY
from rushlight.analysis.notices.quiet_hours import QUIET
from rushlight.collector.events import PRIORITY_RANK
from rushlight.collector.store.records import Notice

__all__ = ["OVERDUE_MS", "OverdueTargets"]

log = logging.getLogger("rushlight.notices")

OVERDUE_MS = 30 * 60_000
"""So long an urgent alarm may be due at a target and not taken there. Some fifteen tries; common practice, no
source."""


class OverdueTargets:
    """By target, since when it owes the taking of an urgent alarm; times in ms of the clock.

    It owes until it takes anything, or until nothing waits for it any more: somebody has answered elsewhere.
    """

    def __init__(self) -> None:
        self._since: dict[str, int] = {}
        self._took: dict[str, int] = {}
        self._said: set[str] = set()

    def took(self, target: str, now_ms: int) -> None:
        """It has taken a notice just now; what else waits has its time from here."""
        self._since.pop(target, None)
        self._took[target] = now_ms

    def found(self, waiting: Iterable[Notice], targets: Iterable[str], now_ms: int) -> list[str]:
        """Those of `targets` that are overdue, by all that waits; the log is told where that changes."""
        owing: dict[str, int] = {}
        for notice in waiting:
            name = notice.target
            if name in self._since:  # also where only its end waits still: the target is as dead
                owing.setdefault(name, min(self._since[name], now_ms))
            due_ms = max(notice.created_ms, notice.not_before_ms)
            if due_ms <= now_ms and _is_urgent(notice):
                due_ms = max(due_ms, min(self._took.get(name, 0), now_ms))
                owing[name] = min(owing.get(name, due_ms), due_ms)
        self._since = owing
        overdue = [name for name in targets if now_ms - owing.get(name, now_ms) >= OVERDUE_MS]
        for name in overdue:
            if name not in self._said:
                log.error(
                    "notice target %s: has not taken an urgent alarm for %d minutes: no heartbeat until "
                    "it takes a notice or is taken out of the settings",
                    name,
                    (now_ms - owing[name]) // 60_000,
                )
        for name in self._said.difference(overdue):
            log.info("notice target %s: is no longer a reason for the heartbeat to stop", name)
        self._said = set(overdue)
        return overdue


def _is_urgent(notice: Notice) -> bool:
    """Of an alarm that is active, and that may wake: what waits for the morning is not owed before.

    Nor is the reminder of what comes and goes, while it is away.
    """
    urgent = PRIORITY_RANK[notice.priority] >= PRIORITY_RANK["high"]
    return urgent and notice.transition not in ("cleared", "test") and notice.error not in (QUIET, AWAY)
