"""Kills, clock steps, a full or busy disk and targets out of order, at random moments from a seed."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import closing, suppress
from pathlib import Path

from bench.soak.clock import FastClock
from bench.soak.targets import Target
from bench.soak.world import BrokerProcess, InfluxProcess, RushlightProcess

__all__ = ["Chaos", "SmallDisk"]

# s; devices may be two minutes ahead of the collector, so some steps make their times implausible to it
STEPS_S = (-86_400, -3_600, -90, -5, 0, 0, 5, 90, 3_600, 86_400)

_ONCE = ("step", "full", "busy", "target")


class SmallDisk:
    """A tmpfs that can be filled to its last byte; needs root."""

    def __init__(self, folder: Path, megabytes: int = 48) -> None:
        self.folder = folder
        self._ballast = folder / "ballast"
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "soak", str(folder)], check=True)

    def fill(self) -> None:
        try:
            with self._ballast.open("ab", buffering=0) as file:
                for size in (1 << 20, 4096):
                    try:
                        while True:
                            file.write(bytes(size))
                    except OSError:
                        continue
        except OSError:
            pass

    def clear(self) -> None:
        self._ballast.unlink(missing_ok=True)

    def close(self) -> None:
        self.clear()
        subprocess.run(["umount", "-l", str(self.folder)], check=True)


class Chaos:
    """Does one thing after another until there were enough kills.

    Attributes
    ----------
    events : Counter
        What it did, how often.
    kills : list of (float, str)
        When (monotonic, s) which program was killed.
    full : list of float
        When the disk was full, each second (monotonic, s).
    broker_ended : list of int
        Exit statuses of a broker that ended by itself.
    """

    def __init__(
        self,
        seed: int,
        broker: BrokerProcess,
        service: RushlightProcess,
        influx: InfluxProcess,
        clock: FastClock,
        steps: bool,
        disk: SmallDisk | None,
        targets: Sequence[Target] = (),
    ) -> None:
        self.events: Counter[str] = Counter()
        self.kills: list[tuple[float, str]] = []
        self.full: list[float] = []
        self.broker_ended: list[int] = []
        self._chance = random.Random(seed)
        self._broker, self._service, self._influx = broker, service, influx
        self._clock, self._steps, self._disk, self._targets = clock, steps, disk, targets

    def run(self, kills: int, pause_s: tuple[float, float]) -> None:
        weights = {
            "collector": 60,
            "broker": 25,
            "both": 8,
            "server": 15,
            "step": 12 if self._steps else 0,
            "full": 4 if self._disk else 0,
            "busy": 5,
            "target": 8 if self._targets else 0,
        }
        first = [what for what in _ONCE if weights[what]]  # the rare ones: each once at least
        self._chance.shuffle(first)
        done = {
            "collector": self._collector,
            "broker": self._kill_broker,
            "both": self._both,
            "server": self._server,
            "step": self._step,
            "full": self._full,
            "busy": self._busy,
            "target": self._target,
        }
        while self._broker.kills + self._service.kills + self._influx.kills < kills:
            self._wait(self._chance.uniform(*pause_s))
            if first:
                what = first.pop()
            else:
                (what,) = self._chance.choices(tuple(weights), tuple(weights.values()))
            done[what]()
            self.events[what] += 1
        for target in self._targets:
            target.mood = "well"

    def _wait(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.look()
            time.sleep(0.02)

    def look(self) -> None:
        """Start again what ended by itself; for a broker that is one more kill, with whatever it forgot."""
        self._service.look()
        ended = len(self._broker.ended)
        self._broker.look()
        if len(self._broker.ended) > ended:
            self.kills.append((time.monotonic(), "broker"))
            self.broker_ended.append(self._broker.ended[-1])

    def kill_collector(self) -> None:
        """SIGKILL, and noted."""
        self._service.kill()
        self.kills.append((time.monotonic(), "collector"))

    def _collector(self) -> None:
        self.kill_collector()
        time.sleep(self._chance.uniform(0, 0.2))
        self._service.start()

    def _kill_broker(self) -> None:
        self._broker.kill()
        self.kills.append((time.monotonic(), "broker"))
        time.sleep(self._chance.uniform(0, 0.3))
        self._broker.start()

    def _both(self) -> None:
        self.kill_collector()
        self._kill_broker()
        time.sleep(self._chance.uniform(0, 0.2))
        self._service.start()

    def _server(self) -> None:
        self._influx.kill()
        self.kills.append((time.monotonic(), "server"))
        time.sleep(self._chance.uniform(0, 1))
        self._influx.start()

    def _step(self) -> None:
        """The collector's clock is put wrong, mostly right again; it may be killed at that moment."""
        self._clock.step(self._chance.choice(STEPS_S))
        if self._chance.random() < 0.5:
            self.kill_collector()
            self.events["killed while the clock steps"] += 1
            if self._chance.random() < 0.5:
                self._clock.step(self._chance.choice(STEPS_S))
            self._service.start()
        self._wait(self._chance.uniform(0.5, 3))
        if self._chance.random() < 0.8:
            self._clock.step(0)

    def _full(self) -> None:
        """No room; the collector may be killed and started meanwhile."""
        assert self._disk is not None
        self._disk.fill()
        self._stay_full(self._chance.uniform(0.5, 2))
        if self._chance.random() < 0.6:
            self.kill_collector()
            self.events["killed while the disk is full"] += 1
            self._service.start()
            self._stay_full(self._chance.uniform(0.5, 2))
        self._disk.clear()

    def _stay_full(self, seconds: float) -> None:
        self.full.append(time.monotonic())
        time.sleep(seconds)
        self.full.append(time.monotonic())

    def _busy(self) -> None:
        """Another process holds the store; the collector is killed while its commit waits."""
        with suppress(sqlite3.Error), closing(sqlite3.connect(self._service.store, timeout=3)) as other:
            other.isolation_level = None
            other.execute("BEGIN IMMEDIATE")
            time.sleep(1.5)
            self.kill_collector()
            other.execute("ROLLBACK")
        if not self._service.is_running():
            self._service.start()

    def _target(self) -> None:
        """One of the targets falls out of order, or comes back."""
        target = self._chance.choice(self._targets)
        target.mood = self._chance.choice(("well", "refusing", "slow"))
