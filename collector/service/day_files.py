"""Packing old days and dropping those too old, beside the collecting."""

from __future__ import annotations

import threading
import time

from rushlight.collector.errors import StoreError
from rushlight.collector.influx.state import days_to_keep
from rushlight.collector.intake.arrivals import Waiting
from rushlight.collector.log import ClearLog
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.series import DAY_MS
from rushlight.collector.store.settled_time import settled_ms

__all__ = ["Packing"]

_EVERY_MS = 600_000
_AT_ONCE_S = 0.25
_SHARE = 0.1  # of the time, while readings come in; one helping is some 20 ms
_NOTICES_MS = 90 * 86_400_000  # notices are kept for so long


class Packing:
    """Packs in helpings of one short transaction.

    Parameters
    ----------
    store : EmbeddedStore
    settings : StoreSettings
        How long readings are kept.
    say : ClearLog
    stop : threading.Event
        The service ends.
    waiting : Waiting
        What has come and is not taken up yet: it goes first.
    """

    def __init__(
        self,
        store: EmbeddedStore,
        settings: StoreSettings,
        say: ClearLog,
        stop: threading.Event,
        waiting: Waiting,
    ) -> None:
        self._store = store
        self._settings = settings
        self._say = say
        self._stop = stop
        self._waiting = waiting
        self._done_ms = 0  # when there was last nothing left to pack
        self._rested = 0.0  # when it may go on beside readings that come in

    def renew(self, settings: StoreSettings) -> None:
        """How long readings are kept from now on."""
        self._settings = settings

    def is_due(self, now: int) -> bool:
        """Whether there may be something to pack; a clock that was put back does not delay it."""
        return not 0 <= now - self._done_ms < _EVERY_MS

    def go_on(self, now: int, busy: bool) -> None:
        """While readings come in (`busy`), a tenth of the time at most; otherwise until some do."""
        end = time.monotonic() + _AT_ONCE_S
        while not self._stop.is_set():
            began = time.monotonic()
            if began < self._rested if busy else began >= end or not self._waiting.empty():
                return
            try:
                more = self._one_helping(now)
            except StoreError as error:
                more = False
                self._say.say("compact", f"{error}; packing old days is put off")
            if not more:
                self._done_ms = now
                return
            self._rested = time.monotonic() + (time.monotonic() - began) / _SHARE

    def _one_helping(self, now: int) -> bool:
        settled = settled_ms(self._store, now)
        lag = (now - settled) / DAY_MS  # packing goes by the clock, dropping doesn't
        keep = days_to_keep(self._store, self._settings, settled)
        keep = {quantity: days + lag for quantity, days in keep.items()}
        more = self._store.compact(now, keep_days=keep, limit=1).more
        if not more:
            self._store.drop_old_notices(settled - _NOTICES_MS)
            self._store.set_meta("compacted-at", str(now))
        return more
