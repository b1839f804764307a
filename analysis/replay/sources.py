"""Where readings to be judged again come from: the file, the server, or both."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from rushlight.analysis.replay.store import Readings
from rushlight.collector.errors import ServerAway
from rushlight.collector.readings import Reading
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.recalibrated import Recalibrated, calibrations_of

__all__ = ["open_readings"]


@contextmanager
def open_readings(settings: Settings, local: EmbeddedStore, warn: TextIO) -> Iterator[Readings]:
    """Where the readings are: the file, and the server too where the settings name one that answers."""
    calibrations = calibrations_of(local, settings.tanks)
    if settings.store.kind != "influxdb":
        yield Recalibrated(local, calibrations) if calibrations else local
        return
    from rushlight.collector.influx.reader import InfluxReadings

    with InfluxReadings(settings.store) as server:
        try:
            server.check()
        except ServerAway as error:
            print(safe_text(f"{error}; the readings that the local file still has are used"), file=warn)
            yield Recalibrated(local, calibrations) if calibrations else local
            return
        both = _Both(server, local)
        yield Recalibrated(both, calibrations) if calibrations else both


class _Both:
    """The server has what is too old for the local file, and the file what the server has not taken yet."""

    def __init__(self, server: Readings, local: Readings) -> None:
        self._sources = (server, local)

    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]:
        series = [source.readings(tank, quantity, start_ms, end_ms) for source in self._sources]
        before: tuple[int, int] | None = None
        for reading in heapq.merge(*series, key=_time_and_number):
            this = _time_and_number(reading)
            if this != before:
                yield reading
            before = this


def _time_and_number(reading: Reading) -> tuple[int, int]:
    return reading.time_ms, reading.seq
