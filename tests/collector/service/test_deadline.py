"""SIGTERM while everything that the service talks to hangs: it ends all the same, in a bounded time."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.notices.thread import NoticeThread
from rushlight.collector.errors import StoreError
from rushlight.collector.influx.thread import DrainThread
from rushlight.collector.service.deadline import Ending
from rushlight.collector.settings import NoticeSettings, StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.simulator.microcontroller import Firmware, PtyLine
from tests.conftest import Broker, free_port, now_ms, wait_for
from tests.running_service import ROOT, TANK, Service, mqtt_link, publisher

# what the service allows itself, and what a busy machine may take to notice and to end a Python
BOUND_S = 8 + 12


class Deaf:
    """An address that takes connections, reads what comes, and never answers."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.taken: list[socket.socket] = []
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                self.taken.append(self._listener.accept()[0])

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        for one in (self._listener, *self.taken):
            one.close()


@pytest.fixture
def deaf() -> Iterator[Callable[[], Deaf]]:
    made: list[Deaf] = []

    def make() -> Deaf:
        made.append(Deaf())
        return made[-1]

    yield make
    for one in made:
        one.close()


def ended(run: Service) -> float:
    """SIGTERM; the exit status must be 0. How long it took, s."""
    assert run.process is not None
    began = time.monotonic()
    run.process.send_signal(signal.SIGTERM)
    assert run.process.wait(60) == 0, run.log()
    return time.monotonic() - began


@pytest.mark.timeout(120)
def test_all_that_it_talks_to_hangs(
    service: Callable[..., Service], deaf: Callable[[], Deaf], mosquitto: Broker
) -> None:
    influx, target, heart, brokers = deaf(), deaf(), deaf(), [deaf(), deaf()]
    page, line, stop = free_port(), PtyLine(), threading.Event()
    links = mqtt_link(mosquitto.port)
    links += "".join(mqtt_link(one.port) + f'client_id = "c{one.port}"\n' for one in brokers)
    links += f'[[links]]\nkind = "serial"\nport = "{line.port}"\n'
    store = f'[store]\nkind = "influxdb"\nurl = "http://127.0.0.1:{influx.port}"\nbucket = "b"\n'
    urls = [f"json://127.0.0.1:{target.port}/{name}?rto=120&cto=120" for name in "abc"]
    run = service(
        links + store + f"[status_page]\nport = {page}\n",
        TANK,
        RUSHLIGHT_NOTICE_URLS=" ".join(urls),
        RUSHLIGHT_HEARTBEAT_URL=f"http://127.0.0.1:{heart.port}/",
    )
    run.start()
    run.wait_log("connected")
    assert line.wait_for_reader(stop)
    began, firmware = now_ms() - 1_200_000, Firmware("hallway")
    line.write(firmware.boot(), stop)
    for seq in range(118):
        line.write(firmware.line(began + 10_000 * seq, [("temperature", 28.0 + seq % 3 / 100)]), stop)
    run.wait_log("temperature-high")
    for address in (influx, target, heart, *brokers):
        wait_for(lambda address=address: address.taken, f"port {address.port} to be spoken to; {run.log()}")
    browser = socket.create_connection(("127.0.0.1", page), 20)
    browser.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")  # and no more
    broker = mosquitto._process
    assert broker is not None
    os.kill(broker.pid, signal.SIGSTOP)
    try:
        line.write(firmware.line(began + 1_180_000, [("temperature", 27.5)]), stop)
        assert line.wait_until_read(stop)
        took = ended(run)
    finally:
        os.kill(broker.pid, signal.SIGCONT)
    assert took < BOUND_S
    browser.close()
    line.close()
    # nothing of that is lost
    assert len(run.readings("temperature")) == 119
    with closing(EmbeddedStore(run.store, read_only=True)) as kept:
        assert len(kept.pending_notices()) == 3 and kept.check() == []


@pytest.mark.timeout(60)
def test_nothing_hangs(service: Callable[..., Service], mosquitto: Broker) -> None:
    run = service(mqtt_link(mosquitto.port))
    run.start()
    run.wait_log("connected")
    client = publisher(mosquitto)
    took = ended(run)
    client.disconnect()
    client.loop_stop()
    assert took < BOUND_S
    assert "did not end in time" not in run.log()


@pytest.mark.timeout(60)
@pytest.mark.parametrize(
    ("hangs", "status", "said"),
    [
        ("ending.done(0); threading.Thread(target=time.sleep, args=(600,)).start()", 0, ""),
        ("time.sleep(600)", 1, "stuck while ending"),
        ("os.kill(os.getpid(), signal.SIGTERM); time.sleep(600)", 1, "stuck while ending"),
    ],
    ids=["a library's thread", "the service itself", "asked by a signal"],
)
def test_the_process_ends_whatever_hangs(hangs: str, status: int, said: str) -> None:
    code = f"""
import os, signal, threading, time
import rushlight.collector.service.deadline
rushlight.collector.service.deadline._STUCK_S = 0.3
ending = rushlight.collector.service.deadline.Ending(0.3)
ending.be_forced()
signal.signal(signal.SIGTERM, lambda *_: ending.ask())
{"" if "SIGTERM" in hangs else "ending.ask()"}
{hangs}
"""
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=40)
    assert done.returncode == status
    assert said in done.stderr and (said or not done.stderr)


def test_the_time_runs_once_for_all() -> None:
    ending = Ending(30)
    first = ending.left()
    time.sleep(0.05)
    ending.ask()
    assert 0 < ending.left() <= first - 0.05
    assert Ending(0).left() == 0


class Busy(EmbeddedStore):
    """Another process has been writing for ten seconds when it is closed."""

    open = 0

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        type(self).open += 1

    def close(self) -> None:
        super().close()
        type(self).open -= 1
        raise StoreError(f"{self.path}: another process has been writing for 10 s")


def test_a_busy_store_is_no_fault_of_a_thread_that_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "rushlight.db"
    monkeypatch.setattr("rushlight.analysis.notices.thread.EmbeddedStore", Busy)
    monkeypatch.setattr("rushlight.collector.influx.thread.EmbeddedStore", Busy)
    settings = StoreSettings(kind="influxdb", url=f"http://127.0.0.1:{free_port()}", bucket="b")
    notices = NoticeThread(Notifier(NoticeSettings(), environment={}), path, now_ms)
    drain = DrainThread(settings, path, now_ms, every_s=0.05)
    for thread in (notices, drain):
        thread.start()
        wait_for(lambda: Busy.open, "its store")
        assert thread.stop(20)  # an exception on a thread fails the test: it is a warning
        assert Busy.open == 0
    assert "fault" not in caplog.text
