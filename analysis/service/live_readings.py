"""A tank's readings as they come: out of the store of a running service, or from the links themselves."""

from __future__ import annotations

import logging
import queue
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Protocol

from rushlight.collector.errors import SettingsError
from rushlight.collector.intake.batch import Arrival, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links.onlooker import BrokerOnlooker
from rushlight.collector.links.serial import SerialPortLink
from rushlight.collector.log import ClearLog
from rushlight.collector.readings import Reading
from rushlight.collector.service.listener import system_clock
from rushlight.collector.service.parts import settings_of_tank
from rushlight.collector.settings import MqttLink, Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

__all__ = ["LiveReadings", "live_readings"]

_EVERY_S = 0.5
_MOST = 1000


class LiveReadings(Protocol):
    """New readings of one tank in order of arrival, without end; None where none came for half a second."""

    def __iter__(self) -> Iterator[Reading | None]: ...

    def skip(self) -> None:
        """Leave out what has come so far: from now on only what comes from now on."""


@contextmanager
def live_readings(settings: Settings, tank: str) -> Iterator[LiveReadings]:
    """Listen to a tank, until the end of the `with`.

    Raises
    ------
    SettingsError
        There is neither a service that runs nor a link in the settings.
    LinkLost
        The broker does not answer.
    """
    own = settings_of_tank(settings, tank)
    path = own.store_path()
    if path.exists() and ServiceLock(path).running():
        with EmbeddedStore(path, read_only=True) as store:
            yield _Stored(store, tank)
        return
    if not settings.links:
        raise SettingsError(
            f"{settings.path}: `rushlight run` is not running, and there are no [[links]] to listen to; "
            "start it, or type the values"
        )
    with ExitStack() as opened:
        linked = _Linked(settings, tank)
        for place, link in enumerate(settings.links):
            if isinstance(link, MqttLink):
                onlooker = BrokerOnlooker(link, link.filters(), Path(settings.path).parent)
                onlooker.start(linked.into(place), lambda _: None)
                opened.callback(onlooker.stop)
            else:
                port = SerialPortLink(link, system_clock)
                port.start(linked.into(place))
                opened.callback(port.stop)
        yield linked


class _Stored:
    def __init__(self, store: EmbeddedStore, tank: str) -> None:
        self._store, self._tank = store, tank
        self.skip()

    def skip(self) -> None:
        self._after = self._store.position()

    def __iter__(self) -> Iterator[Reading | None]:
        while True:
            came = list(self._store.arrivals_after(self._after, self._tank))
            if came:
                self._after = max(position for position, _ in came)
            yield from (reading for _, reading in came)
            if not came:
                time.sleep(_EVERY_S)
                yield None


class _Linked:
    def __init__(self, settings: Settings, tank: str) -> None:
        self._tank = tank
        self._came: queue.Queue[tuple[int, Delivery]] = queue.Queue(_MOST)
        quiet = logging.getLogger("rushlight.live")
        quiet.propagate = False
        self._maker = BatchMaker(settings, ClearLog(quiet, system_clock))

    def into(self, place: int) -> Callable[[Delivery], None]:
        def deliver(delivery: Delivery) -> None:
            with suppress(queue.Full):
                self._came.put_nowait((place, delivery))

        return deliver

    def skip(self) -> None:
        with suppress(queue.Empty):
            while True:
                self._came.get_nowait()

    def __iter__(self) -> Iterator[Reading | None]:
        while True:
            try:
                place, delivery = self._came.get(timeout=_EVERY_S)
            except queue.Empty:
                yield None
                continue
            for reading in self._maker.make([Arrival(place, delivery)]).readings:
                if reading.tank == self._tank:
                    yield reading
