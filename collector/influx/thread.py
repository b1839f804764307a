"""Keeps the InfluxDB server up to date, on a thread and store connection of its own: it delays nothing."""

from __future__ import annotations

import logging
import threading
from contextlib import suppress
from pathlib import Path

from rushlight.collector.errors import RushlightError
from rushlight.collector.influx.drain import Drain
from rushlight.collector.influx.writer import InfluxWriter
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["DrainThread"]

_log = logging.getLogger("rushlight.influxdb")

_EVERY_S = 5.0


class DrainThread:
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
        self._settings = settings
        self._path = store_path
        self._clock = clock
        self._every_s = every_s
        self._say = ClearLog(_log, clock)
        self._stop = threading.Event()
        self.name = "InfluxDB"
        self._thread = threading.Thread(target=self._run, name="influxdb", daemon=True)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def leave(self) -> None:
        """Ask for the end."""
        self._stop.set()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """End after the batch that is being written; the rest is written after the next start.

        False where it has not ended within `timeout_s`; it is left to itself then.
        """
        self.leave()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        writer: InfluxWriter | None = None
        store: EmbeddedStore | None = None
        drain: Drain | None = None
        while not self._stop.is_set():
            more = False
            try:
                if store is None:
                    store = EmbeddedStore(self._path)
                if drain is None:
                    writer = InfluxWriter(self._settings)
                    drain = Drain(self._settings, writer, self._clock)
                more = drain.run_once(store, self._clock())
                self._say.over("store", "readings can be written to InfluxDB again")
            except RushlightError as error:
                self._say.say("store", f"readings wait for InfluxDB: {error}")
            except Exception as error:
                # whatever it is, the readings are in the local file
                if self._say.say("fault", f"writing to InfluxDB failed: {error!r}; trying again"):
                    _log.exception("where it failed")
            if not more:
                self._stop.wait(self._every_s)
        if store is not None:
            with suppress(RushlightError):  # the file is busy: it is closed with the process
                store.close()
        if writer is not None:
            writer.close()
