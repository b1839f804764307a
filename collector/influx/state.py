"""How far an InfluxDB server is with the readings of a local file: kept in that file, read by `status`."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from rushlight.collector.readings import QUANTITIES
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.series import DAY_MS

__all__ = [
    "DrainReport",
    "DrainState",
    "Mark",
    "days_to_keep",
    "drain_report",
    "forget_other_servers",
    "load_drain_state",
    "save_drain_state",
]

_KIND = "influxdb"


class Mark(NamedTuple):
    """At `time_ms` the server had said that it has all up to `position`, and older ones before `copy_ms`."""

    time_ms: int
    position: int
    copy_ms: int | None


class DrainState(msgspec.Struct, forbid_unknown_fields=True):
    """What is remembered of one server.

    Attributes
    ----------
    cursor : int
        The highest position that the server has taken.
    copy_ms : int or None
        Older readings are still to be copied, by time, from here on; None: done.
    marks : list of Mark
        The first is beyond doubt, or the oldest there is.
    written, refused, too_old : int
        Counts: readings written (again ones too), refused since the start, older than the bucket keeps.
    refused_from_ms : int or None
        Time of the earliest of the refused.
    copied_ms : int or None
        How far copying by time ever came; refused ones before it lie aside already.
    attempts, wait_ms, next_ms, away_since_ms, error
        Of a server that is away; attempts 0: it is there.
    last_ms : int
        When it last took something.
    """

    cursor: int
    copy_ms: int | None
    marks: list[Mark]
    written: int = 0
    refused: int = 0
    too_old: int = 0
    refused_from_ms: int | None = None
    copied_ms: int | None = None
    attempts: int = 0
    wait_ms: int = 0
    next_ms: int = 0
    away_since_ms: int = 0
    error: str = ""
    last_ms: int = 0


class DrainReport(msgspec.Struct, kw_only=True):
    """How a server does, for people.

    `waiting` readings have arrived that it does not have; `copying_from_ms`: older ones are still being
    copied, from that time on; `away_since_ms` None: it is there; `last_ms` None: it has not taken anything.
    """

    url: str
    bucket: str
    waiting: int
    copying_from_ms: int | None
    refused: int
    too_old: int
    away_since_ms: int | None
    error: str
    last_ms: int | None


def _key(settings: StoreSettings) -> str:
    return f"{settings.url} {settings.org or ''} {settings.bucket}"


def load_drain_state(store: EmbeddedStore, settings: StoreSettings) -> DrainState | None:
    """The state of this server; None where it is new, or the state is from another version."""
    saved = store.load_state(_KIND, _key(settings))
    if saved is None:
        return None
    try:
        state = msgspec.json.decode(saved[0], type=DrainState)
    except msgspec.MsgspecError:
        return None
    return state if state.marks else None


def save_drain_state(store: EmbeddedStore, settings: StoreSettings, state: DrainState) -> None:
    """Keep it; readings behind its first mark stay in order of arrival."""
    store.save_state(_KIND, _key(settings), msgspec.json.encode(state), state.marks[0].position)


def forget_other_servers(store: EmbeddedStore, settings: StoreSettings) -> None:
    """Servers that the settings don't name any more must not keep the file from packing its days."""
    wanted = _key(settings) if settings.kind == "influxdb" else None
    for key in store.states(_KIND):
        if key != wanted:
            store.delete_state(_KIND, key)


def drain_report(store: EmbeddedStore, settings: StoreSettings) -> DrainReport | None:
    """What is known of the server of these settings; None where they name none."""
    if settings.kind != "influxdb":
        return None
    state = load_drain_state(store, settings)
    if state is None:
        state = DrainState(0, None, [])
    return DrainReport(
        url=settings.url or "",
        bucket=settings.bucket or "",
        waiting=max(0, store.position() - state.cursor),
        copying_from_ms=state.copy_ms,
        refused=state.refused,
        too_old=state.too_old,
        away_since_ms=state.away_since_ms if state.attempts else None,
        error=state.error,
        last_ms=state.last_ms or None,
    )


def days_to_keep(store: EmbeddedStore, settings: StoreSettings, now_ms: int) -> dict[str, float]:
    """How many days the local file keeps readings of each quantity; one not named is kept for ever.

    Beside a server that is `keep_local_days` for all. What the server has not taken, or has refused, stays.
    """
    if settings.kind != "influxdb":
        return dict(settings.keep_days)
    state = load_drain_state(store, settings)
    if state is None:
        return {}
    needed = [ms for ms in (state.copy_ms, state.refused_from_ms, state.marks[0].copy_ms) if ms is not None]
    least = 0.0 if not needed else (now_ms - min(needed)) / DAY_MS + 1
    days = {quantity: settings.keep_days.get(quantity, settings.keep_local_days) for quantity in QUANTITIES}
    return {quantity: max(least, kept) for quantity, kept in days.items()}
