"""The embedded store: one local SQLite file for everything, no server.

Its parts are in the modules beside this one: `database` (the file, transactions, durability), `arrivals` and
`rows` (readings), `chunks` and `codec` (days that are over), `events` (events, requests), `outbox` (notices),
`states` (states, counters), `keeper_rows` (the keeper's log).

Why days in chunks inside SQLite, and not Parquet files beside it
-----------------------------------------------------------------
- A day goes from rows to chunk in one transaction: a kill or a power cut leaves it as rows or as a chunk,
  never as both or as neither. Between a database and a folder of files there is no such step without a
  journal of one's own.
- A late reading is a row like any other and is merged into its day later. A Parquet file can't be added to.
- Readings, alarms, notices and the analysis' state are one file: one copy is a consistent backup, one lock,
  one place to run out of room in.
- `bench/speed/store.py` compares space and reading speed with Parquet and with plain rows in one run. pyarrow
need not be installed on the collector; `rushlight export` writes Parquet where it is.

What it writes, for those who run it on an SD card
--------------------------------------------------
One fsync a commit (synchronous=FULL), each appended to the log in one piece; a commit for each batch, four a
second at most. One tank with three probes every 10 s is 8640 commits of some 20 kB a day, 0.2 GB; tanks whose
reports come in the same quarter of a second share a commit. FULL rather than NORMAL: a report is acknowledged
to the broker after the commit, so a commit that a power cut could take back would be a lost reading; NORMAL
writes as many bytes and only spares the fsync. Packing adds a hundredth.
"""

from __future__ import annotations

import logging
from types import TracebackType

from rushlight.collector.errors import StoreError, StoreFull
from rushlight.collector.store.chunks import Chunks
from rushlight.collector.store.events import AlarmLog
from rushlight.collector.store.keeper_rows import KeeperLog
from rushlight.collector.store.outbox import Outbox
from rushlight.collector.store.states import Keepsakes

__all__ = ["EmbeddedStore"]

_log = logging.getLogger("rushlight.store")


class EmbeddedStore(Chunks, AlarmLog, KeeperLog, Outbox, Keepsakes):
    """Readings, events, the keeper's log, notices and states in one file; see `Database` for the parameters.

    >>> with EmbeddedStore("rushlight.db") as store:
    ...     with store.transaction():
    ...         store.add_readings(batch)
    ...         store.save_state("analysis", "hallway", blob, store.position())
    """

    def put_in_place(self) -> None:
        """Sort in what lies unsorted, as after a kill, states included; where that can't be done, later."""
        try:
            with self.transaction():
                self._sort_in()
                self._place()
        except StoreFull:
            pass  # whoever writes next says so
        except StoreError as error:
            _log.warning("%s; it is opened all the same", error)

    def __enter__(self) -> EmbeddedStore:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
