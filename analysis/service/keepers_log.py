"""What the keeper has noted since, from the store to the watches."""

from __future__ import annotations

from collections.abc import Mapping

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["take_log"]


def take_log(store: EmbeddedStore, watches: Mapping[str, TankWatch]) -> set[str]:
    """Give each watch what it has not had, and what was undone; tanks whose saved state must follow."""
    changed: set[str] = set()
    if not watches:
        return changed
    changes = store.log_changes(min(watch.state.log.seen for watch in watches.values()))
    for number, entry, undone in changes:
        watch = watches.get(entry.tank)
        if watch is None or number <= watch.state.log.seen:
            continue
        changed.add(entry.tank)
        if undone:
            watch.take_back(entry.id)
        else:
            watch.note(entry)
    if changes:
        for watch in watches.values():
            watch.state.log.seen = max(watch.state.log.seen, changes[-1].number)
    return changed
