"""Sends what the outbox holds, on a thread and store connection of its own: a slow target delays nothing."""

from __future__ import annotations

import logging
from contextlib import suppress
from pathlib import Path

from rushlight.analysis.notices.notifier import Notifier
from rushlight.collector.errors import RushlightError
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.repeater import Repeater

__all__ = ["NoticeThread"]

_log = logging.getLogger("rushlight.notices")

_EVERY_S = 1.0
_END_S = 15.0  # for the notice that is being sent; what was not taken is sent after the next start


class NoticeThread(Repeater):
    """Runs `Notifier.run_once` about every second until it is stopped.

    Parameters
    ----------
    notifier : Notifier
    store_path : Path
    clock : callable
        Milliseconds since 1970, UTC.
    """

    def __init__(self, notifier: Notifier, store_path: Path, clock: Clock) -> None:
        super().__init__("notices", "notices", _EVERY_S, _END_S)
        self._notifier = notifier
        self._path = store_path
        self._clock = clock
        self._say = ClearLog(_log, clock)
        self._store: EmbeddedStore | None = None

    def use(self, notifier: Notifier) -> None:
        """From the next round on."""
        self._notifier = notifier

    def _open(self) -> EmbeddedStore | None:
        try:
            store = EmbeddedStore(self._path)
        except RushlightError as error:
            self._say.say("store", f"{error}; notices that wait there go out when it can be opened")
            return None
        self._say.over("store", "the store can be opened again")
        return store

    def once(self) -> bool:
        try:
            self._store = self._store or self._open()
            self._notifier.run_once(self._store, self._clock())
        except Exception as error:
            # no fault of one notice may end the sending of all others
            if self._say.say("fault", f"sending notices failed: {error!r}; trying again"):
                _log.exception("where it failed")
        return False

    def close(self) -> None:
        if self._store is not None:
            with suppress(RushlightError):  # the store is busy: it is closed with the process
                self._store.close()
