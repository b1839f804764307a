"""Snapshots that can't be used: parked while their tank is out of the settings, or learnt again."""

from __future__ import annotations

import logging
from collections.abc import Container

import msgspec

from rushlight.analysis.alarms.wording import duration_text
from rushlight.analysis.service.keepers_log import take_log
from rushlight.analysis.service.reconciliation import reconciled, silence_again
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.snapshot import book_in
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.log import Clock
from rushlight.collector.settings.tables import LOOK_BACK_DAYS
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import in_time_order

__all__ = ["park", "relearn"]

_log = logging.getLogger("rushlight.analysis")

_PARKED = "analysis-parked"  # of tanks that are not in the settings now; holds no readings back
_RELEARN_MS = LOOK_BACK_DAYS * 86_400_000


def park(store: EmbeddedStore, names: Container[str]) -> None:
    """A tank taken out of the settings must not keep the store from packing days; it may come back."""
    for source, target, leaves in ((ANALYSIS_STATE, _PARKED, True), (_PARKED, ANALYSIS_STATE, False)):
        for name in store.states(source):
            saved = store.load_state(source, name)
            if saved is not None and (name not in names) is leaves:
                with store.transaction():
                    store.save_state(target, name, saved[0], None if leaves else store.position())
                    store.delete_state(source, name)


def relearn(fresh: TankWatch, blob: bytes, store: EmbeddedStore, now_ms: int, clock: Clock) -> list[Event]:
    """Detectors from stored readings, alarms from the snapshot where at least those can be read.

    Returns the events that make the stored ones agree with the alarms. `clock` only for the log.
    """
    name = fresh.tank.name
    began_ms, number, first_ms = clock(), 0, now_ms
    raised: dict[str, Event] = {}  # by occurrence
    take_log(store, {name: fresh})
    for reading in in_time_order(store, [name], now_ms - _RELEARN_MS):
        number, first_ms = number + 1, min(first_ms, reading.time_ms)
        try:
            raised.update((e.occurrence, e) for e in fresh.feed(reading) if e.event == "raised")
        except Exception:
            _log.exception("%s: a stored reading broke the analysis", name)
            break
    _log.warning(
        "%s: learnt again from %d readings of the last %s, in %.1f s",
        name,
        number,
        duration_text((now_ms - first_ms) / 1000),
        (clock() - began_ms) / 1000,
    )
    try:
        book = book_in(blob, fresh.tank)
    except (msgspec.MsgspecError, StoreError):
        stored = store.events(tank=name)
        events = reconciled(stored, fresh.book, raised, now_ms)
        silence_again(stored, fresh.book, now_ms)
        return events
    fresh.restore(fresh.snapshot(book))
    return []
