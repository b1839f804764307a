"""Which notices go to a target together."""

from __future__ import annotations

from rushlight.analysis.notices.memory import is_own
from rushlight.analysis.notices.queue import STORM_SIZE
from rushlight.collector.store.records import Notice

__all__ = ["batches"]


def batches(notices: list[Notice]) -> list[list[Notice]]:
    """Critical ones, tests and Rushlight's own alone; the others together if they are many or waited so."""
    alone = [n for n in notices if n.priority == "critical" or n.transition == "test" or is_own(n.occurrence)]
    others = [n for n in notices if n not in alone]
    waited = any(n.not_before_ms > n.created_ms and not n.number for n in others)
    if len(others) >= STORM_SIZE or (len(others) > 1 and waited):
        return [[n] for n in alone] + [others]
    return [[n] for n in notices]
