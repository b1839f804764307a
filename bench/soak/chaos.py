"""Kills, clock steps and a full disk, at random moments from a seed."""

from __future__ import annotations

import random
import struct
import subprocess
import time
from collections import Counter
from pathlib import Path

from bench.soak.world import BrokerProcess, InfluxProcess, RushlightProcess

__all__ = ["Chaos", "SmallDisk"]

# s; devices may be two minutes ahead of the collector, so some steps make their times implausible to it
STEPS_S = (-86_400, -3_600, -90, -5, 0, 0, 5, 90, 3_600, 86_400)


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
    """Does one thing after another until there were enough kills; `events` counts what it did."""

    def __init__(
        self,
        seed: int,
        broker: BrokerProcess,
        service: RushlightProcess,
        influx: InfluxProcess,
        clock: Path | None,
        disk: SmallDisk | None,
    ) -> None:
        self.events: Counter[str] = Counter()
        self.kills: list[tuple[float, str]] = []
        self._chance = random.Random(seed)
        self._broker, self._service, self._influx = broker, service, influx
        self._clock, self._disk = clock, disk

    def run(self, kills: int, pause_s: tuple[float, float]) -> None:
        chance = self._chance
        steps = 12 if self._clock else 0
        while self._broker.kills + self._service.kills + self._influx.kills < kills:
            end = time.monotonic() + chance.uniform(*pause_s)
            while time.monotonic() < end:
                self._service.look()
                time.sleep(0.02)
            what = chance.choices(
                ("collector", "broker", "both", "server", "step", "full"),
                (60, 25, 8, 15, steps, 4 if self._disk else 0),
            )[0]
            if what in ("collector", "both"):
                self._kill_collector()
            if what in ("broker", "both"):
                self._broker.kill()
                self.kills.append((time.monotonic(), "broker"))
                time.sleep(chance.uniform(0, 0.3))
                self._broker.start()
            if what == "both" or what == "collector":
                time.sleep(chance.uniform(0, 0.2))
                self._service.start()
            if what == "server":
                self._influx.kill()
                self.kills.append((time.monotonic(), "server"))
                time.sleep(chance.uniform(0, 1))
                self._influx.start()
            if what == "step":
                self.step(chance.choice(STEPS_S))
            if what == "full" and self._disk is not None:
                self._fill()
            self.events[what] += 1

    def step(self, seconds: float) -> None:
        """Put the collector's clock that far from the machine's."""
        if self._clock is None:
            return
        with self._clock.open("r+b", buffering=0) as file:
            file.write(struct.pack("=q", int(seconds * 1e9)))

    def _kill_collector(self) -> None:
        self._service.kill()
        self.kills.append((time.monotonic(), "collector"))

    def _fill(self) -> None:
        assert self._disk is not None
        self._disk.fill()
        time.sleep(self._chance.uniform(0.5, 2))
        if self._chance.random() < 0.5:  # killed while nothing can be written, and started on a full disk
            self._kill_collector()
            self._service.start()
            time.sleep(self._chance.uniform(0.5, 2))
        self._disk.clear()
