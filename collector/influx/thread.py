"""Keeps the InfluxDB server up to date, on a thread and store connection of its own: it delays nothing."""

from __future__ import annotations

import logging
from contextlib import suppress
from pathlib import Path

from rushlight.collector.errors import RushlightError
from rushlight.collector.influx.drain import Drain
from rushlight.collector.influx.writer import InfluxWriter
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.repeater import Repeater

__all__ = ["DrainThread"]

_log = logging.getLogger("rushlight.influxdb")

_EVERY_S = 5.0
_END_S = 5.0  # for the batch that is being written; the rest is written after the next start


class DrainThread(Repeater):
    """Runs `Drain.run_once` every few seconds, or at once while there is more, until it is stopped.

    Parameters
    ----------
    settings : StoreSettings
        Whose kind is "influxdb".
    store_path : Path
        The local file.
    clock : callable
        Milliseconds since 1970, UTC.
    every_s : float
        How long to wait when all is written, s.
    """

    def __init__(
        self, settings: StoreSettings, store_path: Path, clock: Clock, every_s: float = _EVERY_S
    ) -> None:
        super().__init__("InfluxDB", "influxdb", every_s, _END_S)
        self._settings = settings
        self._path = store_path
        self._clock = clock
        self._say = ClearLog(_log, clock)
        self._store: EmbeddedStore | None = None
        self._writer: InfluxWriter | None = None
        self._drain: Drain | None = None

    def once(self) -> bool:
        more = False
        try:
            if self._store is None:
                self._store = EmbeddedStore(self._path)
            if self._drain is None:
                self._writer = InfluxWriter(self._settings)
                self._drain = Drain(self._settings, self._writer, self._clock)
            more = self._drain.run_once(self._store, self._clock())
            self._say.over("store", "readings can be written to InfluxDB again")
        except RushlightError as error:
            self._say.say("store", f"readings wait for InfluxDB: {error}")
        except Exception as error:
            # whatever it is, the readings are in the local file
            if self._say.say("fault", f"writing to InfluxDB failed: {error!r}; trying again"):
                _log.exception("where it failed")
        return more

    def close(self) -> None:
        if self._store is not None:
            with suppress(RushlightError):  # the file is busy: it is closed with the process
                self._store.close()
        if self._writer is not None:
            self._writer.close()
