"""A local file with readings as they arrive, and drains of it, for the tests of the server store."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rushlight.collector.influx.drain import Drain
from rushlight.collector.influx.reader import InfluxReadings
from rushlight.collector.influx.state import DrainReport, drain_report
from rushlight.collector.influx.writer import InfluxWriter
from rushlight.collector.readings import Reading
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import in_time_order

START_MS = 1_772_330_400_000  # 2026-03-01T02:00Z
MINUTE = 60_000
TANKS = ("attic", "top shelf, left=1")  # a comma, a blank and an equals sign must be escaped in a tag
QUANTITIES = ("ph", "light", "temperature")


def settings_for(url: str, bucket: str, **more: Any) -> StoreSettings:
    """`[store]` for a server."""
    return StoreSettings(kind="influxdb", url=url, bucket=bucket, org="home", **more)


class Local:
    """The file, its clock, and whatever was opened on it."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "rushlight.db"
        self.store = EmbeddedStore(self.path)
        self.now_ms = START_MS
        self.arrived: list[Reading] = []
        self._chance = random.Random(1)
        self._seq = 0
        self._writers: list[InfluxWriter] = []

    def close(self) -> None:
        """Let go of file and connections."""
        for writer in self._writers:
            writer.close()
        self.store.close()

    def feed(self, reports: int) -> None:
        """As two boards send, one report in 10 s each: some late, some unread, two in a millisecond."""
        batch: list[Reading] = []
        chance = self._chance
        for _ in range(reports):
            self.now_ms += 10_000
            late = chance.choice((0, 0, 0, 25_000))
            for tank in TANKS:
                self._seq += 1
                again = (self._seq, self._seq + 1_000_000) if chance.random() < 0.02 else (self._seq,)
                for quantity in QUANTITIES:
                    for seq in again:
                        value = None if chance.random() < 0.01 else round(chance.gauss(7, 0.2), 3)
                        flag = 9 if value is None else chance.choice((1, 1, 1, 3))
                        batch.append(
                            Reading(tank, quantity, self.now_ms - late, value, flag, seq, int(late > 0))
                        )
        self.add(batch)

    def add(self, readings: list[Reading]) -> None:
        """Readings arrive."""
        assert self.store.add_readings(readings) == len(readings)
        self.arrived += readings

    def drain(
        self,
        settings: StoreSettings,
        answer_ms: int = 20_000,
        around: Callable[[InfluxWriter], Any] = lambda writer: writer,
    ) -> Drain:
        """As after a start of the service."""
        writer = InfluxWriter(settings, answer_ms)
        self._writers.append(writer)
        return Drain(settings, around(writer), lambda: self.now_ms)

    def run(self, drain: Drain) -> int:
        """Until it has no more to do now; how many batches."""
        for batches in range(1, 1000):
            if not drain.run_once(self.store, self.now_ms):
                return batches
        raise AssertionError("the drain never says that it is done")

    def later(self, minutes: float = 2) -> None:
        """Time passes."""
        self.now_ms += int(minutes * MINUTE)

    def report(self, settings: StoreSettings) -> DrainReport:
        """What people are told."""
        report = drain_report(self.store, settings)
        assert report is not None
        return report

    def all(self) -> list[Reading]:
        """Everything in the local file by time."""
        return list(in_time_order(self.store))


def on_server(settings: StoreSettings, page: int = 10_000) -> list[Reading]:
    """Everything on the server by time."""
    with InfluxReadings(settings, page) as server:
        return list(in_time_order(server))
