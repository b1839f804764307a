"""The drain with a real influxd that is absent, killed or restarted: in order, none lost, none doubled."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from rushlight.collector.influx.drain import Drain
from rushlight.collector.influx.state import days_to_keep
from rushlight.collector.influx.thread import DrainThread
from rushlight.collector.influx.writer import InfluxWriter
from rushlight.collector.readings import Reading
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.influx_local import START_MS, Local, on_server, settings_for
from tests.collector.influx_servers import Influxd, Nginx, Servers
from tests.conftest import now_ms, wait_for


def key(reading: Reading) -> tuple[str, str, int, int]:
    return reading.tank, reading.quantity, reading.time_ms, reading.seq


def test_a_server_that_comes_up_later_gets_all_in_order(servers: Servers, local: Local) -> None:
    influxd = servers.influxd()
    proxy = servers.nginx(influxd.url)
    settings = settings_for(proxy.url, "tanks")
    drain = local.drain(settings)
    local.run(drain)
    local.feed(1000)
    assert not drain.run_once(local.store, local.now_ms)
    report = local.report(settings)
    assert report.waiting == len(local.arrived) > 6000
    assert report.away_since_ms == local.now_ms

    influxd.start()
    influxd.ask("CREATE DATABASE tanks")
    assert not drain.run_once(local.store, local.now_ms + 4_000)  # not before its time
    assert influxd.points("tanks") == 0
    local.later()
    parts = []
    more = True
    while more:
        more = drain.run_once(local.store, local.now_ms)
        there = {key(reading) for reading in on_server(settings)}
        assert there == {key(reading) for reading in local.arrived[: len(there)]}
        parts.append(len(there))
    assert len(parts) > 1
    assert parts[0] < len(local.arrived)
    assert on_server(settings) == local.all()
    assert influxd.points("tanks") == len(local.arrived)
    report = local.report(settings)
    assert (report.waiting, report.refused, report.error, report.away_since_ms) == (0, 0, "", None)


class KillsAt:
    """A writer that has influxd killed while its n-th batch is on the way."""

    def __init__(self, writer: InfluxWriter, influxd: Influxd, n: int) -> None:
        self._writer, self._influxd, self._left = writer, influxd, n

    def write(self, lines: Sequence[str]) -> None:
        self._left -= 1
        if self._left:
            self._writer.write(lines)
            return
        killer = threading.Timer(0.002, self._influxd.kill)
        killer.start()
        try:
            self._writer.write(lines)
        finally:
            killer.join()

    @property
    def connections(self) -> int:
        return self._writer.connections


def test_kill_9_in_the_middle_of_draining(servers: Servers, local: Local) -> None:
    influxd = servers.influxd()
    influxd.start()
    influxd.ask("CREATE DATABASE tanks")
    proxy = servers.nginx(influxd.url)
    settings = settings_for(proxy.url, "tanks")
    local.feed(100)
    local.run(local.drain(settings))  # copied by time
    local.feed(2000)
    for n in (2, 3):
        drain = local.drain(settings, around=lambda writer, n=n: KillsAt(writer, influxd, n))  # type: ignore[misc]
        local.run(drain)
        report = local.report(settings)
        assert 0 < report.waiting < len(local.arrived)
        assert report.away_since_ms is not None
        influxd.start()
        local.later()
    local.run(drain)  # the same one goes on
    assert local.report(settings).waiting == 0
    assert on_server(settings) == local.all()
    assert influxd.points("tanks") == len(local.arrived)


def test_kill_9_while_everything_is_copied_to_a_new_bucket(servers: Servers, local: Local) -> None:
    influxd = servers.influxd()
    influxd.start()
    influxd.ask("CREATE DATABASE tanks")
    proxy = servers.nginx(influxd.url)
    settings = settings_for(proxy.url, "tanks")
    local.feed(3500)  # more than nine hours: in four pieces
    local.run(local.drain(settings, around=lambda writer: KillsAt(writer, influxd, 3)))
    report = local.report(settings)
    assert report.copying_from_ms is not None and report.copying_from_ms > START_MS
    assert days_to_keep(local.store, settings, local.now_ms + 90 * 86_400_000)["ph"] > 90  # still needed
    influxd.start()
    local.later()
    local.feed(10)
    local.run(local.drain(settings))  # and the service was started again as well
    assert local.report(settings).copying_from_ms is None
    assert on_server(settings) == local.all()
    assert days_to_keep(local.store, settings, local.now_ms)["ph"] == 30


def test_a_server_that_lost_its_last_minutes_gets_them_again(
    local: Local, database: str, shared_influxd: Influxd, shared_nginx: Nginx
) -> None:
    """What a server does that syncs later than it answers, or a disk that lies."""
    settings = settings_for(shared_nginx.url, database)
    local.run(local.drain(settings))
    local.feed(200)
    drain = local.drain(settings)
    local.run(drain)
    for _ in range(12):  # two hours pass by minutes, as in a running service
        local.feed(60)
        local.run(drain)
    lost_ms = local.now_ms - 4 * 60_000
    shared_influxd.ask(f"DELETE WHERE time >= {lost_ms}ms", db=database)
    assert on_server(settings) != local.all()
    local.run(local.drain(settings))
    assert on_server(settings) == local.all()


def test_another_server_is_begun_with_all_there_is(
    local: Local, database: str, servers: Servers, shared_nginx: Nginx
) -> None:
    first = settings_for(shared_nginx.url, database)
    local.feed(300)
    local.run(local.drain(first))
    other = servers.influxd()
    other.start()
    other.ask("CREATE DATABASE elsewhere")
    second = settings_for(servers.nginx(other.url).url, "elsewhere")
    local.run(local.drain(second))
    assert on_server(second) == on_server(first) == local.all()
    assert len(local.store.states("influxdb")) == 1  # the first no longer keeps days from being packed


def test_readings_that_are_packed_already_are_copied_too(
    local: Local, database: str, shared_nginx: Nginx
) -> None:
    local.feed(1500)
    wanted = local.all()
    packed = local.store.compact(START_MS + 3 * 86_400_000)
    assert packed.readings == len(wanted)
    settings = settings_for(shared_nginx.url, database)
    local.run(local.drain(settings))
    assert on_server(settings) == wanted == local.all()


def test_a_backup_that_was_put_back(local: Local, database: str, shared_nginx: Nginx) -> None:
    """The state's position is not in the file any more: all is written again, and told."""
    settings = settings_for(shared_nginx.url, database)
    local.run(local.drain(settings))
    local.feed(1500)
    drain = local.drain(settings)
    local.store.delete_state("influxdb", f"{settings.url} {settings.org} {settings.bucket}")
    local.store.compact(local.now_ms + 3 * 86_400_000)
    local.run(drain)
    assert on_server(settings) == local.all()


# -- the thread -------------------------------------------------------------------------------------------


def thread_for(local: Local, settings: StoreSettings) -> DrainThread:
    return DrainThread(settings, local.path, now_ms, every_s=0.05)


def test_the_thread_follows_until_it_is_stopped(
    local: Local, database: str, shared_influxd: Influxd, shared_nginx: Nginx
) -> None:
    settings = settings_for(shared_nginx.url, database)
    local.feed(50)
    thread = thread_for(local, settings)
    thread.start()
    for _ in range(3):  # the collector goes on writing to the same file
        wait_for(lambda: shared_influxd.points(database) == len(local.arrived), "all on the server")
        local.feed(20)
    wait_for(lambda: shared_influxd.points(database) == len(local.arrived), "all on the server")
    thread.stop()
    assert not any(other.name == "influxdb" for other in threading.enumerate())
    there = len(local.arrived)
    local.feed(20)
    assert shared_influxd.points(database) == there
    again = thread_for(local, settings)
    again.start()
    wait_for(lambda: shared_influxd.points(database) == len(local.arrived), "the rest on the server")
    again.stop()
    assert on_server(settings) == local.all()


def test_a_second_drain_on_the_file_does_no_harm(
    local: Local, database: str, shared_influxd: Influxd, shared_nginx: Nginx
) -> None:
    settings = settings_for(shared_nginx.url, database)
    local.feed(100)
    with EmbeddedStore(local.path) as other:
        local.run(local.drain(settings))
        writer = InfluxWriter(settings)
        second = Drain(settings, writer, lambda: local.now_ms)
        while second.run_once(other, local.now_ms):
            pass
        writer.close()
    assert shared_influxd.points(database) == len(local.arrived)
