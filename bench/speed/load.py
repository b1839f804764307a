"""What the benches of speed share: many made-up tanks, a broker of their own, a publisher that costs little.

The publisher speaks MQTT 3.1.1 by hand over one socket (CONNECT, PUBLISH at QoS 1, counting PUBACKs): a
client library in Python would be slower than what is to be measured.
"""

from __future__ import annotations

import contextlib
import math
import os
import random
import shutil
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
REPORT_MS = 10_000

_TANK = """
[tanks.{name}]
title = "Shelf {number}"
volume_litres = {litres}
timezone = "Europe/Lisbon"
[tanks.{name}.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
[tanks.{name}.water]
carbonate_hardness_dkh = 4.0
ph_low = 6.0
ph_high = 7.8
[tanks.{name}.heater]
setpoint_c = 23.0
[tanks.{name}.light]
on = "00:00"
off = "23:50"
[tanks.{name}.co2]
source = "cylinder"
on = "00:00"
off = "23:40"
"""


def tank_names(count: int) -> list[str]:
    return [f"shelf-{number:03}" for number in range(count)]


def settings_text(port: int, count: int, more: str = "") -> str:
    """A whole `rushlight.toml` of so many tanks on the broker at `port`; no status page."""
    head = f'[[links]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {port}\n{more}\n'
    head += "[status_page]\nenabled = false\n"
    return head + "".join(
        _TANK.format(name=name, number=number, litres=30 + number % 90)
        for number, name in enumerate(tank_names(count))
    )


def pack(name: str, number: int, seq: int, time_ms: int, chance: random.Random) -> bytes:
    """A report of three probes, well within what that tank stands."""
    phase = time_ms / 86_400_000 * math.tau + number
    celsius = 23 + 0.4 * math.sin(phase) + chance.gauss(0, 0.02)
    ph = 6.85 - 0.1 * math.sin(phase) + chance.gauss(0, 0.008)
    lux = 7400 + chance.gauss(0, 30)
    return (
        f'[{{"bn":"{name}/","bt":{time_ms / 1000:.3f},"seq":{seq},'
        f'"n":"temperature","u":"Cel","v":{celsius:.2f}}},'
        f'{{"n":"ph","u":"pH","v":{ph:.2f}}},{{"n":"light","u":"lx","v":{lux:.0f}}}]'
    ).encode()


def reports(count: int, rounds: int, start_ms: int, first_seq: int = 0) -> Iterator[tuple[str, bytes]]:
    """(topic, payload), the tanks taking turns, each reporting every 10 s from `start_ms` on."""
    chance = random.Random(first_seq + 1)
    names = tank_names(count)
    for turn in range(rounds):
        for number, name in enumerate(names):
            # as if each had been switched on at its own moment
            time_ms = start_ms + turn * REPORT_MS + number * REPORT_MS // count
            yield f"rushlight/{name}/readings", pack(name, number, first_seq + turn, time_ms, chance)


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


class Broker:
    """Mosquitto on a free port, in memory only, with as many in flight as the configuration that ships."""

    def __init__(self, folder: Path) -> None:
        binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        if binary is None:
            sys.exit("this bench needs a real MQTT broker: apt-get install mosquitto")
        self.port = free_port()
        settings = folder / f"mosquitto-{self.port}.conf"
        settings.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 1000\n"
            "max_queued_messages 0\nset_tcp_nodelay true\n"
        )
        self._process = subprocess.Popen([binary, "-c", str(settings)], stderr=subprocess.DEVNULL)
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return
            except OSError:
                time.sleep(0.05)
        sys.exit("mosquitto did not come up")

    @property
    def pid(self) -> int:
        return self._process.pid

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(10)


class Publisher:
    """One device's connection; `send` returns when all has been acknowledged by the broker."""

    def __init__(self, port: int, name: str = "bench-publisher") -> None:
        self._socket = socket.create_connection(("127.0.0.1", port))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        text = name.encode()
        body = b"\x00\x04MQTT\x04\x02\x00\x00" + struct.pack(">H", len(text)) + text
        self._socket.sendall(b"\x10" + _length(len(body)) + body)
        assert self._socket.recv(4)[3] == 0, "the broker refuses the bench's publisher"
        self._mid = 0
        self._acknowledged = 0
        self._read = threading.Thread(target=self._count, daemon=True)
        self._read.start()
        self._sent = 0

    def _count(self) -> None:
        rest = 0
        with contextlib.suppress(OSError):  # closed from the other thread: it is over
            while data := self._socket.recv(65536):
                rest += len(data)
                self._acknowledged, rest = self._acknowledged + rest // 4, rest % 4

    def put(self, topic: str, payload: bytes) -> None:
        """Send one and don't wait."""
        self._socket.sendall(self._packet(topic, payload))

    def send(self, messages: Iterable[tuple[str, bytes]]) -> int:
        """Send all, with up to 2000 on their way at once, and wait for the last acknowledgement."""
        count = 0
        chunk = bytearray()
        for topic, payload in messages:
            chunk += self._packet(topic, payload)
            count += 1
            if not count % 100:
                self._socket.sendall(chunk)
                chunk.clear()
                while self._sent - self._acknowledged > 2000:
                    time.sleep(0.0005)
        self._socket.sendall(chunk)
        while self._acknowledged < self._sent:
            time.sleep(0.001)
        return count

    def _packet(self, topic: str, payload: bytes) -> bytes:
        self._sent += 1
        self._mid = self._mid % 65535 + 1
        name = topic.encode()
        body = struct.pack(">H", len(name)) + name + struct.pack(">H", self._mid) + payload
        return b"\x32" + _length(len(body)) + body

    def close(self) -> None:
        self._socket.sendall(b"\xe0\x00")
        self._socket.close()


def _length(size: int) -> bytes:
    """MQTT's variable byte integer."""
    found = bytearray()
    while True:
        size, low = divmod(size, 128)
        found.append(low | 0x80 if size else low)
        if not size:
            return bytes(found)


def start_service(
    folder: Path, *words: str, log: str = "service.log", **environment: str
) -> subprocess.Popen[bytes]:
    """`rushlight run` as people start it, on the settings in `folder`."""
    with (folder / log).open("ab") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "rushlight.analysis.commands.main", "run", *words],
            cwd=folder,
            stderr=out,
            env=os.environ | {"PYTHONPATH": str(ROOT / "src")} | environment,
        )


def wait_for_log(folder: Path, text: str, log: str = "service.log", seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    path = folder / log
    while text not in (path.read_text() if path.exists() else ""):
        if time.monotonic() > end:
            sys.exit(f"waited {seconds} s for {text!r} in {path}:\n{path.read_text()}")
        time.sleep(0.05)
