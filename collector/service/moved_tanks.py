"""Tanks that another part's store had: taken up when the parts have changed."""

from __future__ import annotations

import logging
import time
from contextlib import closing
from pathlib import Path

from rushlight.collector.errors import StoreError
from rushlight.collector.influx.state import load_drain_state
from rushlight.collector.intake.timing import STAMPER_KINDS
from rushlight.collector.readings import Reading
from rushlight.collector.service.parts import siblings
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

__all__ = ["take_over"]

_log = logging.getLogger("rushlight.collector")

_MAKING_S = 30.0

_KINDS = (*STAMPER_KINDS, "quality", "analysis")


def take_over(common: Settings, own: Settings, store: EmbeddedStore) -> None:
    """Take up tanks that another store beside this one has newer readings of: parts have changed.

    What was learnt, the alarms that stand, their events and notices, report numbers and the readings behind
    the snapshot or not yet on the server are copied; older readings and events stay where they are. What
    still waited here to be sent is given up: the other store knows what became of it.

    Raises
    ------
    StoreError
        The service of a store that has to be taken over from is still running.
    """
    others = [path for path in siblings(common) if path != store.path]
    for name in own.tanks:
        mine, best, source = _newest_ms(store, name), -1, None
        for path in others:
            with closing(_opened(path)) as other:
                newest = _newest_ms(other, name)
            if newest > max(mine, best):
                best, source = newest, path
        if source is None:
            continue
        running = ServiceLock(source).running()
        if running:
            raise StoreError(
                f"{source}: has newer readings of {name} than {store.path}, and its service (process "
                f"{running}) is running; stop all parts before their number changes"
            )
        with closing(EmbeddedStore(source, read_only=True)) as other:
            _copy(name, other, store, _untaken(name, other, common))
        _log.info("%s: taken over from %s", name, source)


def _opened(path: Path) -> EmbeddedStore:
    """A sibling, for reading; parts that start together may find each other's store half made."""
    end = time.monotonic() + _MAKING_S
    while True:
        try:
            return EmbeddedStore(path, read_only=True)
        except StoreError:
            if time.monotonic() > end or not ServiceLock(path).running():
                raise
        time.sleep(0.05)


def _newest_ms(store: EmbeddedStore, tank: str) -> int:
    return max((reading.time_ms for reading in store.latest(tank).values()), default=-1)


def _untaken(tank: str, source: EmbeddedStore, common: Settings) -> list[Reading]:
    """What a server may not have yet: nobody else would send it there."""
    if common.store.kind != "influxdb":
        return []
    state = load_drain_state(source, common.store)
    if state is None or state.marks[0].copy_ms is not None or state.refused_from_ms is not None:
        _log.warning(
            "%s: older readings of %s may not be on InfluxDB at %s yet; if you want them there, export them "
            "from that file (`rushlight export --local`), then import them into the part's",
            source.path,
            tank,
            common.store.url,
        )
    position = source.position() if state is None else state.marks[0].position
    return [reading for _, reading in source.arrivals_after(position, tank)]


def _copy(tank: str, source: EmbeddedStore, store: EmbeddedStore, untaken: list[Reading]) -> None:
    states = {kind: saved for kind in _KINDS if (saved := source.load_state(kind, tank)) is not None}
    behind = states["analysis"][1] if "analysis" in states else 0
    since = [reading for _, reading in source.arrivals_after(behind, tank)] if behind else []
    keys = {(reading.quantity, reading.time_ms, reading.seq) for reading in since}
    newest = source.latest(tank).values()
    with store.transaction():
        store.add_readings([r for r in untaken if (r.quantity, r.time_ms, r.seq) not in keys])
        # so that this store has the newest from now on, also where the snapshot has seen all
        store.add_readings([r for r in newest if (r.quantity, r.time_ms, r.seq) not in keys])
        for kind, (blob, _) in states.items():
            store.save_state(kind, tank, blob, store.position() if kind == "analysis" else None)
        store.add_readings(since)
        _copy_notices(tank, source, store)


def _copy_notices(tank: str, source: EmbeddedStore, store: EmbeddedStore) -> None:
    """What waits to be sent about a tank, and the events by which that is judged."""
    waiting = [
        notice
        for notice in source.pending_notices()
        if notice.occurrence.startswith(f"{tank}/") and notice.transition != "test"
    ]
    store.replace_notices(tank, waiting)
    events = source.events(tank)
    wanted = {notice.occurrence for notice in waiting}
    for known in (events, store.events(tank)):  # what is active there, and what was here and may be over
        over = {event.occurrence for event in known if event.event == "cleared"}
        wanted |= {event.occurrence for event in known} - over
    for event in events:
        if event.occurrence in wanted:
            store.add_event(event)
    # who has word of it: else they would be sent the same at the start
    for occurrence in sorted(wanted):
        for notice in source.notices(occurrence):
            if notice.delivered_ms is not None:
                store.keep_notice(notice, cancelled=False)
