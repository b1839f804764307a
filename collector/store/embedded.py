"""The embedded store: one local SQLite file for everything, no server.

Its parts are in the modules beside this one: `database` (the file, transactions, durability), `rows`
(readings), `chunks` and `codec` (days that are over), `alarms` (events, requests), `outbox` (notices),
`keepsakes` (states, counters).
"""

from __future__ import annotations

from types import TracebackType

from collector.store.alarms import AlarmLog
from collector.store.chunks import Chunks
from collector.store.keepsakes import Keepsakes
from collector.store.outbox import Outbox

__all__ = ["EmbeddedStore"]


class EmbeddedStore(Chunks, AlarmLog, Outbox, Keepsakes):
    """Readings, events, notices and states in one file; see `Database` for the parameters.

    >>> with EmbeddedStore("rushlight.db") as store:
    ...     with store.transaction():
    ...         store.add_readings(batch)
    ...         store.save_state("analysis", "hallway", blob, store.position())
    """

    def __enter__(self) -> EmbeddedStore:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
