"""The running collector: batches, what can't be read, full disks, order of commit and acknowledgement."""

from __future__ import annotations

import itertools
import json
import logging
import os
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from rushlight.collector.errors import StoreError
from rushlight.collector.intake import backlog
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links import Deliver
from rushlight.collector.readings import Reading
from rushlight.collector.service.deadline import Ending
from rushlight.collector.service.listener import LINKS_META
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.service.systemd import sd_notify, watchdog_s
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock
from tests.conftest import now_ms, wait_for

SETTINGS = """
[[links]]
kind = "mqtt"
[[links.map]]
topic = "shed/+/t"
tank = "shed"
quantity = "temperature"
[tanks.hallway]
volume_litres = 54
timezone = "UTC"
[tanks.hallway.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
[tanks.shed]
volume_litres = 20
timezone = "UTC"
[tanks.shed.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""


class HandLink:
    """A link whose payloads the test hands over; it sees the store when it is told of a commit."""

    def __init__(self, look: Callable[[], int]) -> None:
        self.name = "hand"
        self.counters = {"delivered": 0}
        self.acknowledged: list[Any] = []
        self.stored_then: list[int] = []
        self.started = threading.Event()
        self.stopped = False
        self._look = look
        self._deliver: Deliver | None = None

    def start(self, deliver: Deliver) -> None:
        self._deliver = deliver
        self.started.set()

    def give(self, topic: str | None, payload: bytes, token: Any, redelivered: bool = False) -> None:
        assert self.started.wait(10)
        assert self._deliver is not None
        self.counters["delivered"] += 1
        self._deliver(Delivery(self.name, topic, payload, now_ms(), redelivered, token))

    def acknowledge(self, deliveries: Iterable[Delivery]) -> None:
        self.stored_then.append(self._look())
        self.acknowledged += [delivery.token for delivery in deliveries]

    def stop(self) -> None:
        self.stopped = True


class Notebook:
    """A listener that writes down what it is given."""

    def __init__(self) -> None:
        self.taken: list[Reading] = []
        self.devices: list[tuple[str, bool]] = []
        self.kept_times = 0
        self.held: list[str] = []
        self.closed = False
        self.ticks: list[int] = []

    def take(self, readings: Sequence[Reading], now_ms: int) -> None:
        self.taken += readings

    def device(self, tank: str, online: bool, now_ms: int) -> None:
        self.devices.append((tank, online))

    def tick(self, now_ms: int) -> None:
        self.ticks.append(now_ms)

    def poll(self, store: EmbeddedStore, now_ms: int) -> None: ...

    def wants(self, now_ms: int) -> bool:
        return False

    def keep(self, store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        store.set_meta("notebook", str(len(self.taken)))
        self.closed = closing

    def kept(self, now_ms: int) -> None:
        self.kept_times += 1

    def hold(self, store: EmbeddedStore, now_ms: int, why: str) -> None:
        self.held.append(why)


class Bench:
    def __init__(self, path: Path) -> None:
        self.settings: Settings = parse_settings(SETTINGS, str(path.parent / "rushlight.toml"))
        self.path = path
        self.store = EmbeddedStore(path)
        self.notebook = Notebook()
        self.link = HandLink(self.stored)
        self.ahead_ms = 0
        self.service = self.make()
        self.whole: bool | None = None

    def make(self, **more: Any) -> CollectorService:
        return CollectorService(self.settings, self.store, [self.link], self.notebook, self.clock, **more)

    def clock(self) -> int:
        return now_ms() + self.ahead_ms

    def stored(self) -> int:
        """Readings that another process would find on the disk."""
        with sqlite3.connect(self.path) as db:
            return int(db.execute("SELECT count(*) FROM readings").fetchone()[0])

    @contextmanager
    def running(self) -> Iterator[HandLink]:
        def run() -> None:
            self.whole = self.service.run()

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield self.link
        finally:
            self.service.stop()
            thread.join(20)
            assert not thread.is_alive()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "rushlight.db")
    yield made
    made.store.close()


def pack(seq: int, tank: str = "hallway") -> bytes:
    record = {"bn": f"{tank}/", "seq": seq, "n": "temperature", "u": "Cel", "v": 24 + seq / 1000}
    return json.dumps([record]).encode()


TOPIC = "rushlight/hallway/readings"


def test_committed_first_acknowledged_then(bench: Bench) -> None:
    with bench.running() as link:
        for seq in range(1200):
            link.give(TOPIC, pack(seq), seq)
        wait_for(lambda: len(link.acknowledged) == 1200, "all to be acknowledged")
    assert bench.whole is True and link.stopped and bench.notebook.closed
    assert link.acknowledged == list(range(1200))
    # at each acknowledgement everything acknowledged by it was on the disk, and no batch was over 1000
    done = 0
    for stored, after in zip(link.stored_then, [*link.stored_then[1:], 1200], strict=True):
        assert done < stored <= done + 1000
        done = stored
        assert after >= stored
    assert [r.seq for r in bench.notebook.taken] == list(range(1200))
    assert bench.notebook.ticks
    reports = json.loads(bench.store.get_meta(LINKS_META) or "")
    assert reports[0]["counters"] == {"delivered": 1200}


def test_links_that_hang_at_the_end_are_left_and_all_that_came_is_kept(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.service = bench.make(ending=Ending(0.5))
    hung = threading.Event()
    bench.link.stop = lambda: bool(hung.wait(60))  # type: ignore[method-assign,assignment,return-value]
    with bench.running() as link:
        link.give(TOPIC, pack(0), 0)
    hung.set()
    assert bench.whole is True and link.acknowledged == [0]
    assert "did not end in time" in caplog.text


def test_no_commit_holds_more_than_it_may(bench: Bench) -> None:
    bench.service = bench.make(most=7)
    with bench.running() as link:
        for seq in range(100):
            link.give(TOPIC, pack(seq), seq)
        wait_for(lambda: len(link.acknowledged) == 100, "all to be acknowledged")
    steps = [0, *link.stored_then]
    assert all(0 < after - before <= 7 for before, after in itertools.pairwise(steps))


def test_what_cannot_be_read_is_reported_once_counted_set_aside_and_acknowledged(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    with bench.running() as link:
        for number in range(5):
            link.give(TOPIC, b'[{"n":"temp', ("torn", number))
        link.give("rushlight/garage/readings", pack(0, "garage"), "unknown tank")
        link.give("kitchen/scale", b"12", "unknown topic")
        link.give("shed/1/t", b"warm", "no number")
        link.give("shed/1/t", b"21.5", "mapped")
        link.give("rushlight/hallway/device", b"online", "device")
        link.give(TOPIC, b'[{"bn":"hallway/","n":"temperature","u":"Cel","v":24},{"n":"mood","v":1}]', "half")
        wait_for(lambda: len(link.acknowledged) == 11, "all to be acknowledged")
    lines = [r.getMessage() for r in caplog.records]
    assert sum("not valid JSON" in line for line in lines) == 1
    (unknown,) = [line for line in lines if "garage" in line]
    assert "add [tanks.garage] to" in unknown and "rushlight.toml" in unknown
    single = dict.fromkeys(("bad.unknown-tank", "bad.topic", "bad.number", "bad.quantity"), 1)
    assert bench.store.counters() == {"bad.json": 5, "set-aside": 8, **single}
    aside = bench.store.set_aside_rows()
    assert [row.payload_head for row in aside[:6]] == [b'[{"n":"temp'] * 5 + [pack(0, "garage")]
    assert [(r.tank, r.value) for r in bench.notebook.taken] == [("shed", 21.5), ("hallway", 24.0)]
    assert bench.notebook.devices == [("hallway", True)]


def test_a_clock_long_ago_is_reported_once_and_its_readings_kept(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    with bench.running() as link:
        for seq in range(5):
            record = {
                "bn": "hallway/",
                "bt": 300_000_000 + seq,
                "seq": seq,
                "n": "temperature",
                "u": "Cel",
                "v": 24,
            }
            link.give(TOPIC, json.dumps([record]).encode(), seq)
        wait_for(lambda: len(link.acknowledged) == 5, "all to be acknowledged")
    said = [r.getMessage() for r in caplog.records if "clock is wrong" in r.getMessage()]
    assert len(said) == 1 and said[0].startswith("hallway: ")
    assert bench.store.counters()["hallway.stamped"] == 5
    kept = list(bench.store.readings("hallway", "temperature"))
    assert len(kept) == 5 and all(r.stamp == 1 and abs(r.time_ms - now_ms()) < 60_000 for r in kept)


def limit_pages(store: EmbeddedStore, pages: int) -> None:
    """A real SQLITE_FULL: SQLite itself refuses to let the file grow past so many pages."""
    store._run(f"PRAGMA max_page_count = {pages}")


def test_a_full_disk_holds_everything_up_and_loses_nothing(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    with bench.running() as link:
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: link.acknowledged == [0], "the first report")
        limit_pages(bench.store, 1)
        for seq in range(1, 2000):
            link.give(TOPIC, pack(seq), seq)
        wait_for(lambda: "no room left" in caplog.text, "the full disk to be told of")
        assert not bench.service.is_well()
        acknowledged = len(link.acknowledged)
        assert bench.stored() == acknowledged < 2000
        limit_pages(bench.store, 1_000_000)
        wait_for(lambda: len(link.acknowledged) == 2000, "the rest")
        assert bench.service.is_well()
    assert link.acknowledged == list(range(2000))
    assert [r.seq for r in bench.notebook.taken] == list(range(2000))  # each judged exactly once
    assert [r.seq for r in bench.store.readings("hallway", "temperature")] == list(range(2000))
    assert bench.store.counters() == {}  # nothing taken for lost or repeated
    assert caplog.text.count("no room left") == caplog.text.count("the store can be written again") == 1


def test_what_comes_while_the_disk_is_full_is_judged_and_the_listener_hears_of_it(bench: Bench) -> None:
    bench.service = bench.make(most=100)
    with bench.running() as link:
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: link.acknowledged == [0], "the first report")
        limit_pages(bench.store, 1)
        for seq in range(1, 3000):
            link.give(TOPIC, pack(seq), seq)
        wait_for(lambda: len(bench.notebook.taken) == 3000, "all to be judged")
        acknowledged = len(link.acknowledged)
        assert bench.stored() == acknowledged < 3000
        assert "no room left" in bench.notebook.held[-1]
        bench.service._retry = float("inf")  # not by the next try, but at once
        before = len(bench.notebook.held)
        wait_for(lambda: len(bench.notebook.held) > before + 1, "to be asked again")
        bench.service._retry = 0.0
        limit_pages(bench.store, 1_000_000)
        wait_for(lambda: len(link.acknowledged) == 3000, "the rest")
        assert bench.notebook.kept_times
    assert link.acknowledged == list(range(3000))
    assert [r.seq for r in bench.notebook.taken] == list(range(3000))


def test_memory_is_bounded_and_a_serial_line_is_judged_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    assert backlog.REPORTS == 20_000
    monkeypatch.setattr(backlog, "REPORTS", 1000)
    bench.service = bench.make(most=10)
    with bench.running() as link:
        link.give(None, pack(0), None)
        wait_for(lambda: bench.stored() == 1, "the first report")
        limit_pages(bench.store, 1)
        for seq in range(1, 1500):
            link.give(None, pack(seq), None)
        wait_for(lambda: len(bench.notebook.taken) == 1500, "all to be judged")
        # a broker's are kept beyond it: they were promised; up to twice as many, then the link waits
        for seq in range(1500, 4500):
            link.give(TOPIC, pack(seq), seq)
        wait_for(lambda: bench.service._backlog.brimful, "the room to be taken up")
        assert 2000 <= len(bench.service._backlog) < 2010
        limit_pages(bench.store, 1_000_000)
        wait_for(lambda: sum(token is not None for token in link.acknowledged) == 3000, "the broker's")
    gone = bench.store.counters()["let-go"]
    assert 0 < gone < 1500
    assert f"{gone} readings of serial lines found no room in memory" in caplog.text


def test_stopped_while_the_disk_is_full_what_comes_again_is_no_repeat(bench: Bench, tmp_path: Path) -> None:
    with bench.running() as link:
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: link.acknowledged == [0], "the first report")
        limit_pages(bench.store, 1)
        for seq in range(1, 1500):
            link.give(TOPIC, pack(seq), seq)
        wait_for(lambda: not bench.service.is_well(), "the full disk to be met")
    assert bench.whole is False
    acknowledged = len(link.acknowledged)
    limit_pages(bench.store, 1_000_000)
    bench.store.close()
    again = Bench(bench.path)
    with again.running() as link:
        for seq in range(acknowledged, 1500):
            link.give(TOPIC, pack(seq), seq, redelivered=True)
        wait_for(lambda: len(link.acknowledged) == 1500 - acknowledged, "the rest")
    assert [r.seq for r in again.store.readings("hallway", "temperature")] == list(range(1500))
    assert again.store.counters() == {}
    again.store.close()


def test_a_repeat_after_a_restart_is_found(bench: Bench) -> None:
    untimed = b'[{"bn":"hallway/","n":"temperature","u":"Cel","v":24}]'
    with bench.running() as link:
        link.give(TOPIC, untimed, 0)
        link.give(TOPIC, pack(7), 1)
        wait_for(lambda: len(link.acknowledged) == 2, "both")
    bench.store.close()
    again = Bench(bench.path)
    with again.running() as link:
        link.give(TOPIC, untimed, 0, redelivered=True)
        link.give(TOPIC, pack(7), 1, redelivered=True)
        link.give(TOPIC, pack(9), 2)
        wait_for(lambda: len(link.acknowledged) == 3, "all three")
    assert [r.seq for r in again.store.readings("hallway", "temperature")] == [-1, 7, 9]
    assert [r.seq for r in again.notebook.taken] == [9]
    assert again.store.counters() == {"hallway.repeated": 2, "hallway.lost": 1}
    again.store.close()


def test_quality_goes_on_after_a_restart(bench: Bench) -> None:
    with bench.running() as link:
        for seq in range(3):
            link.give(TOPIC, pack(seq), seq)
        wait_for(lambda: len(link.acknowledged) == 3, "all")
    bench.store.close()
    again = Bench(bench.path)
    with again.running() as link:
        # a step of 10 °C: SUSPECT only for who knows the value before it (QARTOD's spike test)
        link.give(TOPIC, b'[{"bn":"hallway/","seq":3,"n":"temperature","u":"Cel","v":34}]', 3)
        wait_for(lambda: link.acknowledged, "it")
    assert [r.flag for r in again.store.readings("hallway", "temperature")] == [1, 1, 1, 3]
    again.store.close()


def test_all_is_well_only_while_readings_arrive(bench: Bench) -> None:
    with bench.running() as link:
        assert not bench.service.is_well()
        link.give(TOPIC, b"rubbish", 0)
        wait_for(lambda: link.acknowledged == [0], "it")
        assert not bench.service.is_well()  # a sign of life is a reading, not any bytes
        link.give(TOPIC, pack(1), 1)
        wait_for(lambda: link.acknowledged == [0, 1], "it")
        assert bench.service.is_well()
        bench.ahead_ms = 301_000
        assert not bench.service.is_well()


DAY_MS = 86_400_000


def old_days(count: int, quantity: str = "temperature") -> list[Reading]:
    """Ten minutes apart, up to the day before yesterday."""
    began = now_ms() // DAY_MS * DAY_MS - (count + 1) * DAY_MS
    return [
        Reading("hallway", quantity, began + i * 600_000, 24 + i / 1000, 1, i) for i in range(count * 144)
    ]


def test_days_that_are_over_are_packed_while_it_is_quiet(bench: Bench) -> None:
    old = old_days(5)
    bench.store.add_readings(old)
    with bench.running() as link:
        wait_for(lambda: bench.stored() == 0, "all five days to be packed")
        packed_at = wait_for(lambda: bench.store.get_meta("compacted-at"), "its note")
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: link.acknowledged == [0], "the service to go on")
    assert abs(int(packed_at) - now_ms()) < 60_000
    assert list(bench.store.readings("hallway", "temperature"))[:-1] == old


def test_days_are_packed_in_small_helpings_while_readings_never_cease(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = old_days(4)
    bench.store.add_readings(old)
    limits: list[Any] = []
    compact = bench.store.compact
    monkeypatch.setattr(
        bench.store, "compact", lambda now, **more: limits.append(more["limit"]) or compact(now, **more)
    )
    seqs = itertools.count()

    def packed() -> bool:
        for seq in itertools.islice(seqs, 3):  # something waits in every round
            link.give(TOPIC, pack(seq), seq)
        return bench.store.get_meta("compacted-at") is not None

    with bench.running() as link:
        link.give(TOPIC, pack(next(seqs)), 0)
        wait_for(packed, "all days to be packed")
        last = next(seqs)
        wait_for(lambda: len(link.acknowledged) == last, "all that came meanwhile")
    assert len(limits) > 4 and set(limits) == {1}  # one day of one series at a time
    kept = list(bench.store.readings("hallway", "temperature"))
    assert kept[: len(old)] == old and [r.seq for r in kept[len(old) :]] == list(range(last))


def test_the_days_to_keep_are_those_of_the_settings(bench: Bench) -> None:
    bench.settings = parse_settings(SETTINGS + "[store]\nkeep_days = { light = 3 }\n")
    bench.service = bench.make()
    temperature, light = old_days(8), old_days(8, "light")
    bench.store.add_readings(temperature + light)
    with bench.running():
        wait_for(lambda: bench.store.get_meta("compacted-at"), "all to be packed or dropped")
    assert list(bench.store.readings("hallway", "temperature")) == temperature
    first = now_ms() // DAY_MS * DAY_MS - 3 * DAY_MS
    assert list(bench.store.readings("hallway", "light")) == [r for r in light if r.time_ms >= first]
    assert [s.number for s in bench.store.summaries("hallway", "light", step="daily")] == [144] * 8


def test_a_listener_that_fails_costs_no_readings(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        with store.transaction():
            store.set_meta("notebook", "half")
            raise ZeroDivisionError("the listener's own")

    with bench.running() as link:
        monkeypatch.setattr(bench.notebook, "keep", broken)
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: link.acknowledged == [0], "the reading to be kept")
        assert bench.stored() == 1 and bench.notebook.kept_times == 0
        assert bench.store.get_meta("notebook") is None
        assert not bench.service.is_well()
        monkeypatch.undo()
        link.give(TOPIC, pack(1), 1)
        wait_for(lambda: bench.notebook.kept_times, "the listener to be heard again")
        assert bench.store.get_meta("notebook") == "2"  # with what it could not tell before


def test_one_service_a_store_also_after_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    code = (
        "import sys,time\nfrom rushlight.collector.store.service_lock import ServiceLock\n"
        "ServiceLock(sys.argv[1]).acquire()\nprint('held',flush=True)\ntime.sleep(60)\n"
    )
    root = str(Path(__file__).parents[3] / "src")
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, env=os.environ | {"PYTHONPATH": root}
    )
    with other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        lock = ServiceLock(path)
        assert lock.running() == other.pid
        with pytest.raises(
            StoreError, match=rf"rushlight.db: another .*\(process {other.pid}\).*stop that one"
        ):
            lock.acquire()
        other.kill()
    assert lock.running() is None
    with lock:
        assert not ServiceLock(path).try_acquire()
    assert ServiceLock(path).try_acquire()


def test_sd_notify_speaks_to_a_real_socket(tmp_path: Path) -> None:
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        manager.settimeout(5)
        assert sd_notify("READY=1", {"NOTIFY_SOCKET": address})
        assert manager.recv(100) == b"READY=1"  # sd_notify(3)
    assert not sd_notify("READY=1", {"NOTIFY_SOCKET": str(tmp_path / "gone")})
    assert not sd_notify("READY=1", {})
    assert watchdog_s({"WATCHDOG_USEC": "30000000"}) == 15  # sd_watchdog_enabled(3): half of the time
    assert watchdog_s({}) is None
