"""`rushlight run` on a disk that is really full, and on a store file that is taken away."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock
from tests.conftest import Broker, now_ms, wait_for
from tests.running_service import TANK, Service, mqtt_link, publisher
from tests.test_kill import WORDS, Inbox, pack

TOPIC = "rushlight/hallway/readings"
# the same service, but it says after a second what it else says after a minute
PROGRAM = """
import sys
import rushlight.analysis.service.live
rushlight.analysis.service.live.UNKEPT_MS = 1000
from rushlight.analysis.commands.main import main
sys.exit(main())
"""


class Hasty(Service):
    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-c", PROGRAM, *words] if words == ("run",) else super().command(*words)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    if os.geteuid() != 0:
        pytest.skip("mounting a small file system needs root")
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.fixture
def inbox() -> Iterator[Inbox]:
    made = Inbox()
    made.deaf = False
    yield made
    made.close()


def fill(ballast: Path) -> None:
    """To the last byte."""
    with ballast.open("wb", buffering=0) as file:
        for piece in (65_536, 4096, 512, 1):
            while True:
                try:
                    if file.write(bytes(piece)) < piece:
                        break
                except OSError as error:
                    assert error.errno == errno.ENOSPC
                    break


class Tank:
    """A device that reports, as fast as the broker takes it, what it measured in the last forty minutes."""

    def __init__(self, broker: Broker) -> None:
        self.client = publisher(broker)
        self.began = now_ms() - 2_400_000
        self.sent = 0

    def report(self, number: int) -> None:
        """Warming from 25.5 °C by a tenth a minute, to 27.5 °C: the limit is 26 °C."""
        for _ in range(number):
            celsius = 25.5 + 0.02 * min(self.sent, 100) + self.sent % 3 / 100
            payload = pack(self.sent, self.began + 12_000 * self.sent, celsius)
            self.client.publish(TOPIC, payload, qos=1).wait_for_publish(20)
            self.sent += 1

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def start(run: Service) -> None:
    run.start()
    run.wait_log("connected")


@pytest.mark.timeout(120)
def test_on_a_full_disk_the_alarm_comes_once_and_nothing_is_lost(
    tmp_path: Path, disk: Path, mosquitto: Broker, inbox: Inbox
) -> None:
    store = f'[store]\npath = "{disk}/rushlight.db"\n'
    url = f"json://127.0.0.1:{inbox.port}/"
    run = Hasty(tmp_path, mqtt_link(mosquitto.port) + WORDS + store, TANK, RUSHLIGHT_NOTICE_URLS=url)
    run.store = disk / "rushlight.db"
    tank = Tank(mosquitto)
    try:
        start(run)
        tank.report(20)
        wait_for(lambda: run.count() == 40, "the first readings to be kept")
        fill(disk / "ballast")
        tank.report(150)
        run.wait_log("no room left")
        wait_for(lambda: len(inbox.got) == 2, "the alarm, and that readings can't be kept")
        assert run.count() == 40
        alarm, own = sorted(inbox.got, key=lambda title: "Rushlight" in title)
        assert alarm.startswith("HIGH") and "°C" in alarm
        assert own.startswith("HIGH") and "can't keep readings" in own
        (disk / "ballast").unlink()
        run.wait_log("the store can be written again")
        wait_for(lambda: run.count() == 340, "all readings")
        wait_for(lambda: len(inbox.got) == 3, "that it is over")
        assert inbox.got[2].startswith("Over: Rushlight")
        tank.report(5)
        wait_for(lambda: run.count() == 350, "the readings after it")
        # all that was sent is known to the store: not even after a kill it goes out again
        with closing(EmbeddedStore(run.store, read_only=True)) as kept:
            wait_for(lambda: len(kept.pending_notices()) == 1, "the reminder alone to wait")
        run.kill()
        run.start()
        run.wait_log("connected", 2)
        tank.report(1)
        wait_for(lambda: run.count() == 352, "the last report")
        assert run.stop() == 0
    finally:
        run.end()
        tank.close()
    assert len(inbox.got) == 3
    assert [seq for seq, *_ in run.readings("temperature")] == list(range(tank.sent))
    with closing(EmbeddedStore(run.store, read_only=True)) as kept:
        assert kept.check() == []
        assert [e.event for e in kept.events() if e.alarm == "temperature-high"] == ["raised"]
        assert kept.counters().get("hallway.lost", 0) == 0


@pytest.mark.timeout(120)
def test_a_store_moved_away_is_noticed_and_taken_up_again(
    tmp_path: Path, mosquitto: Broker, inbox: Inbox
) -> None:
    url = f"json://127.0.0.1:{inbox.port}/"
    run = Hasty(tmp_path, mqtt_link(mosquitto.port) + WORDS, TANK, RUSHLIGHT_NOTICE_URLS=url)
    tank = Tank(mosquitto)
    try:
        start(run)
        tank.report(20)
        wait_for(lambda: run.count() == 40, "the first readings to be kept")
        run.store.rename(tmp_path / "away")
        tank.report(150)
        run.wait_log("rushlight.db: was removed or moved away while Rushlight had it open")
        run.wait_log("reports wait, none is acknowledged")
        wait_for(lambda: len(inbox.got) == 2, "the alarm, and that readings can't be kept")
        assert not run.store.exists()  # no new one was begun in its place
        other = Service(tmp_path, mqtt_link(mosquitto.port), TANK)
        assert other.ask("run").returncode == 1  # the lock holds all the same
        assert not run.store.exists()
        (tmp_path / "away").rename(run.store)
        wait_for(lambda: run.count() == 340, "all readings")
        wait_for(lambda: len(inbox.got) == 3, "that it is over")
        assert run.stop() == 0
    finally:
        run.end()
        tank.close()
    assert [seq for seq, *_ in run.readings("temperature")] == list(range(170))


@pytest.mark.timeout(120)
def test_a_store_replaced_by_a_copy_is_left_alone_until_the_next_start(
    tmp_path: Path, mosquitto: Broker
) -> None:
    run = Service(tmp_path, mqtt_link(mosquitto.port) + WORDS, TANK)
    tank = Tank(mosquitto)
    try:
        start(run)
        tank.report(20)
        wait_for(lambda: run.count() == 40, "the first readings to be kept")
        with closing(EmbeddedStore(run.store, read_only=True)) as kept:
            kept.backup(tmp_path / "copy")
        (tmp_path / "copy").replace(run.store)
        tank.report(5)
        run.wait_log("was replaced by another")
        assert run.count() == 40
        assert run.stop() == 1  # not all is kept
        run.start()
        run.wait_log("connected", 2)
        wait_for(lambda: run.count() == 50, "what was not acknowledged, from the broker")
        assert run.stop() == 0
    finally:
        run.end()
        tank.close()
    assert [seq for seq, *_ in run.readings("temperature")] == list(range(25))


@pytest.mark.timeout(120)
def test_where_another_service_has_taken_over_this_one_ends(tmp_path: Path, mosquitto: Broker) -> None:
    run = Service(tmp_path, mqtt_link(mosquitto.port) + WORDS, TANK)
    try:
        start(run)
        with ServiceLock(tmp_path / "other.db"):
            Path(f"{tmp_path}/other.db-service").replace(f"{run.store}-service")
            run.wait_log("has taken over this store: this one ends")
            assert run.process is not None and run.process.wait(20) == 1
    finally:
        run.end()
