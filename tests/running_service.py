"""`rushlight run` as a process of its own, for the tests of the whole."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from rushlight.collector.store.embedded import EmbeddedStore
from tests.conftest import Broker, wait_for

ROOT = Path(__file__).parents[1]
TANK = """
[tanks.hallway]
title = "Hallway shelf"
volume_litres = 54
timezone = "Europe/Lisbon"
[tanks.hallway.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""


class Service:
    """The command in a folder of its own, to be started and ended at will."""

    def __init__(self, folder: Path, links: str, tanks: str = TANK, **environment: str) -> None:
        self.folder = folder
        self.store = folder / "rushlight.db"
        self.environment = os.environ | {"PYTHONPATH": str(ROOT / "src")} | environment
        (folder / "rushlight.toml").write_text(links + tanks)
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log_file().open("ab") as log:
            self.process = subprocess.Popen(
                self.command("run"), stderr=log, cwd=self.folder, env=self.environment
            )

    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-m", "rushlight.analysis.commands.main", *words]

    def ask(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.command(*words),
            cwd=self.folder,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=30,
        )

    def log_file(self) -> Path:
        return self.folder / "service.log"

    def log(self) -> str:
        return self.log_file().read_text()

    def wait_log(self, text: str, times: int = 1) -> None:
        wait_for(lambda: self.log().count(text) >= times, f"{text!r} in the log:\n{self.log()}")

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)

    def stop(self) -> int:
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(20)

    def end(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.kill()

    def count(self) -> int:
        if not self.store.exists():
            return 0
        with closing(EmbeddedStore(self.store, read_only=True)) as store:
            return store.position()

    def readings(self, quantity: str) -> list[tuple[int, int, float | None, int]]:
        with closing(EmbeddedStore(self.store, read_only=True)) as store:
            return [(r.seq, r.time_ms, r.value, r.stamp) for r in store.readings("hallway", quantity)]


def mqtt_link(port: int) -> str:
    return f'[[links]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {port}\n'


def publisher(broker: Broker) -> mqtt.Client:
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id="device", protocol=mqtt.MQTTv311, clean_session=False
    )
    client.max_inflight_messages_set(100)
    client.reconnect_delay_set(1, 1)
    client.connect(broker.host, broker.port)
    client.loop_start()
    return client
