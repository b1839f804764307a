"""Shared fixtures: a real Mosquitto on a free port, real pseudo-terminals."""

from __future__ import annotations

import contextlib
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.running_service import Service


def free_port() -> int:
    """A TCP port of this machine that was free a moment ago."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def wait_for(condition: Callable[[], Any], what: str = "the condition", seconds: float = 20.0) -> Any:
    """Wait until `condition()` is true and return its value; fail the test where it never is."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = condition()
        if value:
            return value
        time.sleep(0.02)
    pytest.fail(f"waited {seconds} s for {what}")


def now_ms() -> int:
    """The clock of tests that run against real servers."""
    return time.time_ns() // 1_000_000


class Broker:
    """A Mosquitto of its own folder, which may be stopped, killed and started again on the same port."""

    def __init__(self, binary: str, folder: Path, settings: str = "allow_anonymous true\n") -> None:
        self.host = "127.0.0.1"
        self.port = free_port()
        self.folder = folder
        self._binary = binary
        self._process: subprocess.Popen[bytes] | None = None
        self._settings = folder / "mosquitto.conf"
        # run as whoever runs the tests: without `user`, a broker started as root would change to another
        # user, who may not write to the folder
        self._settings.write_text(
            f"listener {self.port} {self.host}\nuser root\npersistence true\n"
            f"persistence_location {folder}/\nautosave_interval 1\nautosave_on_changes false\n"
            f"max_inflight_messages 200\nmax_queued_messages 100000\n{settings}"
        )

    def start(self) -> None:
        """Start and wait until it listens."""
        log = (self.folder / "mosquitto.log").open("ab")
        with log:
            self._process = subprocess.Popen(
                [self._binary, "-c", str(self._settings)], stdout=log, stderr=log
            )
        wait_for(self._listens, f"Mosquitto to listen, see {self.folder}/mosquitto.log")

    def _listens(self) -> bool:
        assert self._process is not None
        if self._process.poll() is not None:
            pytest.fail("Mosquitto ended: " + (self.folder / "mosquitto.log").read_text())
        with contextlib.suppress(OSError), socket.create_connection((self.host, self.port), 1):
            return True
        return False

    def stop(self) -> None:
        """End it in order; kept sessions and queued messages are on the disk."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def kill(self) -> None:
        """End it as a power cut does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None


@pytest.fixture(scope="session")
def mosquitto_binary() -> str:
    """Path of the broker's program; the whole run fails where it is missing, so that nothing is skipped."""
    binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if binary is None:
        pytest.exit("the tests need a real MQTT broker: apt-get install mosquitto", returncode=1)
    return binary


@pytest.fixture
def make_broker(mosquitto_binary: str, tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    """`make_broker(settings)`: a broker, not yet started, with further lines for its configuration."""
    made: list[Broker] = []

    def make(settings: str = "allow_anonymous true\n") -> Broker:
        folder = tmp_path / f"broker{len(made)}"
        folder.mkdir()
        broker = Broker(mosquitto_binary, folder, settings)
        made.append(broker)
        return broker

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def mosquitto(make_broker: Callable[..., Broker]) -> Broker:
    """A running broker that takes anyone."""
    broker = make_broker()
    broker.start()
    return broker


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Callable[..., Service]]:
    """`service(links, tanks)`: `rushlight run` in a folder of its own, not yet started; see there."""
    from tests.running_service import Service

    made: list[Service] = []

    def make(links: str, *tanks: str, **environment: str) -> Service:
        made.append(Service(tmp_path, links, *tanks, **environment))
        return made[-1]

    yield make
    for one in made:
        one.end()
