"""Sends what the outbox holds, on a thread and store connection of its own: a slow target delays nothing."""

from __future__ import annotations

import logging
import threading
from contextlib import suppress
from pathlib import Path

from rushlight.analysis.notices.notifier import Notifier
from rushlight.collector.errors import RushlightError
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["NoticeThread"]

_log = logging.getLogger("rushlight.notices")

_EVERY_S = 1.0


class NoticeThread:
    """Runs `Notifier.run_once` about every second until it is stopped.

    Parameters
    ----------
    notifier : Notifier
    store_path : Path
    clock : callable
        Milliseconds since 1970, UTC.
    """

    def __init__(self, notifier: Notifier, store_path: Path, clock: Clock) -> None:
        self._notifier = notifier
        self._path = store_path
        self._clock = clock
        self._say = ClearLog(_log, clock)
        self._stop = threading.Event()
        self.name = "notices"
        self._thread = threading.Thread(target=self._run, name="notices", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def leave(self) -> None:
        """Ask for the end."""
        self._stop.set()

    def stop(self, timeout_s: float = 15.0) -> bool:
        """End after the notice that is being sent; what was not taken is sent after the next start.

        False where it has not ended within `timeout_s`; it is left to itself then.
        """
        self.leave()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _open(self) -> EmbeddedStore | None:
        try:
            store = EmbeddedStore(self._path)
        except RushlightError as error:
            self._say.say("store", f"{error}; notices that wait there go out when it can be opened")
            return None
        self._say.over("store", "the store can be opened again")
        return store

    def _run(self) -> None:
        store: EmbeddedStore | None = None
        while not self._stop.is_set():
            try:
                store = store or self._open()
                self._notifier.run_once(store, self._clock())
            except Exception as error:
                # no fault of one notice may end the sending of all others
                if self._say.say("fault", f"sending notices failed: {error!r}; trying again"):
                    _log.exception("where it failed")
            self._stop.wait(_EVERY_S)
        if store is not None:
            with suppress(RushlightError):  # the store is busy: it is closed with the process
                store.close()
