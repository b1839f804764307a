"""Real servers that don't take readings: what people are told, and that nothing good is lost."""

from __future__ import annotations

import socket
from base64 import b64encode
from collections.abc import Iterator
from itertools import count

import pytest

from rushlight.collector.errors import ServerAway
from rushlight.collector.influx.reader import InfluxReadings
from rushlight.collector.influx.state import days_to_keep
from rushlight.collector.influx.thread import DrainThread
from rushlight.collector.readings import Reading
from rushlight.collector.settings import StoreSettings
from tests.collector.influx_local import START_MS, Local, on_server, settings_for
from tests.collector.influx_servers import Influxd, Nginx, Servers
from tests.conftest import free_port, now_ms, wait_for

WEEK_MS = 7 * 86_400_000  # what influxd keeps in one shard, where a field has one type


BASIC = "".join(
    f'if ($http_authorization = "Token {who}") {{ set $basic "Basic {b64encode(who.encode()).decode()}"; }}'
    for who in ("keeper:moss", "keeper:fern")
)
BASIC = f'set $basic ""; {BASIC} proxy_set_header Authorization $basic;'


def said(local: Local, settings: StoreSettings) -> str:
    """What `status` says of the server."""
    return local.report(settings).error


def gets_well(local: Local, settings: StoreSettings) -> None:
    """Once the cause is mended all is written without a restart."""
    local.later()
    local.run(local.drain(settings))
    assert said(local, settings) == ""
    assert local.report(settings).waiting == 0
    assert on_server(settings) == local.all()


# -- the server, the way to it, the bucket, the token --------------------------------------------------------


def test_nothing_listens(local: Local) -> None:
    settings = settings_for(f"http://127.0.0.1:{free_port()}", "tanks")
    local.feed(20)
    local.run(local.drain(settings))
    assert "can't be reached" in said(local, settings)
    assert "is it running, and is store.url right?" in said(local, settings)


def test_no_such_host(local: Local) -> None:
    # RFC 6761, section 6.4: a name that never resolves
    settings = settings_for("http://influxdb.invalid:8086", "tanks")
    local.feed(20)
    local.run(local.drain(settings))
    assert "http://influxdb.invalid:8086 can't be reached" in said(local, settings)


def test_a_proxy_that_does_not_reach_the_server(
    local: Local, servers: Servers, caplog: pytest.LogCaptureFixture
) -> None:
    influxd = servers.influxd()
    proxy = servers.nginx(influxd.url)
    settings = settings_for(proxy.url, "tanks")
    local.feed(20)
    drain = local.drain(settings)
    local.run(drain)
    assert f"the proxy at {proxy.url} can't reach InfluxDB behind it (HTTP 502" in said(local, settings)
    assert "0 new readings and older ones wait in" in caplog.text
    local.later()
    before = len(local.arrived)
    local.feed(20)
    local.run(drain)
    assert f" {len(local.arrived) - before} new readings and older ones wait in" in caplog.text
    with InfluxReadings(settings) as server, pytest.raises(ServerAway, match=r"proxy at .* can't reach"):
        server.tanks()
    influxd.start()
    influxd.ask("CREATE DATABASE tanks")
    gets_well(local, settings)


def test_no_database(local: Local, no_database: str, shared_influxd: Influxd, shared_nginx: Nginx) -> None:
    settings = settings_for(shared_nginx.url, no_database)
    local.feed(1000)  # half a megabyte: influxd hangs up before it has read that, and nginx says 502
    drain = local.drain(settings)
    local.run(drain)
    assert f"has no bucket {no_database!r}" in said(local, settings)
    assert "make it there, or correct store.bucket" in said(local, settings)
    shared_influxd.ask(f"CREATE DATABASE {no_database}")
    local.later()
    local.run(drain)
    assert on_server(settings) == local.all()


def test_a_server_older_than_the_path_of_2(local: Local, database: str, shared_influxd: Influxd) -> None:
    settings = settings_for(shared_influxd.url, database)  # 1.6 without nginx before it
    local.feed(1000)  # half a megabyte: refused before it is read
    local.run(local.drain(settings))
    assert "has no /api/v2/write" in said(local, settings)
    assert "InfluxDB 1.8 or newer is needed" in said(local, settings)


def test_tokens(local: Local, servers: Servers, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the form that 1.8 takes, "user:password"; nginx makes of it what 1.6 understands."""
    influxd = servers.influxd(auth=True)
    influxd.start()
    influxd.ask("CREATE USER keeper WITH PASSWORD 'moss' WITH ALL PRIVILEGES")
    influxd.ask("CREATE DATABASE tanks", u="keeper", p="moss")
    proxy = servers.nginx(influxd.url, BASIC)
    local.feed(50)

    none = settings_for(proxy.url, "tanks")
    local.run(local.drain(none))
    assert 'wants a token; name the variable that holds it: token_env = "…"' in said(local, none)
    assert "HTTP 401" in said(local, none)

    settings = settings_for(proxy.url, "tanks", token_env="TANKS_TOKEN")
    monkeypatch.delenv("TANKS_TOKEN", raising=False)
    local.later()
    local.run(local.drain(settings))
    assert "TANKS_TOKEN is not set" in said(local, settings)

    monkeypatch.setenv("TANKS_TOKEN", "keeper:fern")
    local.later()
    local.run(local.drain(settings))
    assert "refuses the token in TANKS_TOKEN" in said(local, settings)
    assert "fern" not in said(local, settings)
    with InfluxReadings(settings) as server, pytest.raises(ServerAway, match="refuses the token"):
        server.tanks()

    monkeypatch.setenv("TANKS_TOKEN", "keeper:moss")
    gets_well(local, settings)


# -- busy, full, slow ----------------------------------------------------------------------------------------


def test_429_is_left_alone_for_as_long_as_it_says(
    local: Local, database: str, servers: Servers, shared_influxd: Influxd
) -> None:
    # Retry-After in seconds: RFC 9110, section 10.2.3
    busy = 'add_header Retry-After 150 always; return 429 "too many";'
    proxy = servers.nginx(shared_influxd.url, write=busy)
    settings = settings_for(proxy.url, database)
    local.feed(20)
    drain = local.drain(settings)
    local.run(drain)
    assert "asks for fewer writes (HTTP 429: too many)" in said(local, settings)
    proxy.change()
    began = local.now_ms
    for wait_s, there in ((60, False), (149, False), (150, True)):
        local.now_ms = began + wait_s * 1000
        local.run(drain)
        assert (shared_influxd.points(database) == len(local.arrived)) == there
    assert said(local, settings) == ""


@pytest.mark.parametrize("status", [500, 503, 507])
def test_a_server_that_can_not_work(
    local: Local, database: str, servers: Servers, shared_influxd: Influxd, status: int
) -> None:
    proxy = servers.nginx(shared_influxd.url, write=f"return {status};")
    settings = settings_for(proxy.url, database)
    local.feed(20)
    drain = local.drain(settings)
    waits = []
    for _ in range(6):
        local.run(drain)
        assert f"can't do its work now (HTTP {status}" in said(local, settings)
        assert "look at its disk, its memory and its log" in said(local, settings)
        proxy.stop()  # its next try is at the port that nobody has, and so told apart
        for wait_ms in count(1000, 1000):
            drain.run_once(local.store, local.now_ms + wait_ms)
            if "can't be reached" in said(local, settings):
                break
        waits.append(wait_ms)
        local.now_ms += wait_ms + 60_000
        proxy.start()
    assert waits[0] == 5000 and max(waits) == 60_000 and waits == sorted(waits)
    proxy.change()
    gets_well(local, settings)


@pytest.fixture
def silent() -> Iterator[tuple[str, socket.socket]]:
    """A server that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}", listening


def test_a_server_that_does_not_answer(local: Local, silent: tuple[str, socket.socket]) -> None:
    settings = settings_for(silent[0], "tanks")
    local.run(local.drain(settings))
    local.feed(20)
    local.run(local.drain(settings, answer_ms=200))
    assert "does not answer in time; it is overloaded, or the way to it is slow" in said(local, settings)
    assert local.report(settings).waiting == len(local.arrived)


def test_the_collector_does_not_wait_for_a_slow_server(
    local: Local, silent: tuple[str, socket.socket]
) -> None:
    url, listening = silent
    local.feed(20)
    thread = DrainThread(settings_for(url, "tanks"), local.path, now_ms, every_s=0.05)
    thread.start()
    connection, _ = listening.accept()
    with connection:
        assert connection.recv(4) == b"POST"  # from here on the thread waits for an answer
        local.feed(20)  # in the collector's place: returns when it is in the file
        assert len(local.all()) == len(local.arrived)
        thread.stop(timeout_s=0.01)  # ends the service too, without the answer
        listening.close()
    wait_for(lambda: not thread._thread.is_alive(), "the thread to see that nobody answers any more")


# -- readings that are refused -------------------------------------------------------------------------------


def test_a_small_limit_on_bodies_makes_batches_smaller(
    local: Local, database: str, servers: Servers, shared_influxd: Influxd
) -> None:
    proxy = servers.nginx(shared_influxd.url, "client_max_body_size 20k;")  # nginx answers 413
    settings = settings_for(proxy.url, database)
    local.feed(300)
    drain = local.drain(settings)
    local.run(drain)
    local.feed(300)
    assert local.run(drain) > 5
    assert on_server(settings) == local.all()
    report = local.report(settings)
    assert (report.waiting, report.refused, report.error) == (0, 0, "")
    assert local.store.set_aside_rows() == []


def conflict(local: Local, influxd: Influxd, database: str) -> Reading:
    """Somebody's text in our field, in a week before all else: one reading that influxd refuses."""
    bad = Reading("attic", "ph", START_MS - 4 * WEEK_MS, 6.9, 1, 77, 0)
    influxd.write(database, f'tank_readings,tank=attic,quantity=ph value="seven" {bad.time_ms - 5000}000000')
    return bad


def test_one_refused_reading_lies_aside_and_the_others_are_there(
    local: Local,
    database: str,
    shared_influxd: Influxd,
    shared_nginx: Nginx,
    caplog: pytest.LogCaptureFixture,
) -> None:
    settings = settings_for(shared_nginx.url, database)
    drain = local.drain(settings)
    local.run(drain)
    bad = conflict(local, shared_influxd, database)
    local.feed(150)
    local.add([bad])
    local.feed(150)
    local.run(drain)

    assert shared_influxd.points(database) == len(local.arrived) - 1
    report = local.report(settings)
    assert (report.waiting, report.refused, report.error) == (0, 1, "")
    (aside,) = local.store.set_aside_rows()
    assert "field type conflict" in aside.reason and aside.reason.startswith("1 readings: ")
    assert b"value=6.9" in aside.payload_head
    assert "refuses readings for bucket" in caplog.text and "fix the bucket, then start" in caplog.text
    assert bad in local.all()  # the local file still has it

    # written again after a doubt, in the same run and after a start: told of once, counted once
    for _ in range(2):
        local.later(16)
        local.feed(1)
        drain._doubt = drain._state.marks[0] if drain._state else None
        local.run(drain)
        assert local.report(settings).refused == 1
    for _ in range(2):
        drain = local.drain(settings)
        local.run(drain)
        assert local.report(settings).refused == 1
    assert len(local.store.set_aside_rows()) == 1

    # somebody mends the bucket: the next start writes it
    shared_influxd.ask("DROP MEASUREMENT tank_readings", db=database)
    local.run(local.drain(settings))
    assert local.report(settings).refused == 0
    assert bad in on_server(settings)


def test_refused_readings_stay_in_the_local_file(
    local: Local, database: str, shared_influxd: Influxd, shared_nginx: Nginx
) -> None:
    settings = settings_for(shared_nginx.url, database, keep_local_days=2)
    local.add([conflict(local, shared_influxd, database)])
    local.feed(10)
    local.run(local.drain(settings))
    assert days_to_keep(local.store, settings, local.now_ms)["ph"] > 28  # four weeks old, and wanted
    shared_influxd.ask("DROP MEASUREMENT tank_readings", db=database)
    drain = local.drain(settings)
    local.run(drain)
    assert on_server(settings) == local.all()
    for _ in range(8):  # until what was taken is beyond doubt
        local.feed(6)
        local.run(drain)
    assert days_to_keep(local.store, settings, local.now_ms)["ph"] == 2


def test_readings_older_than_the_bucket_keeps(
    local: Local, no_database: str, shared_influxd: Influxd, shared_nginx: Nginx
) -> None:
    shared_influxd.ask(f"CREATE DATABASE {no_database} WITH DURATION 30d")
    settings = settings_for(shared_nginx.url, no_database)
    local.now_ms = now_ms()
    drain = local.drain(settings)
    local.run(drain)
    old = [Reading("attic", "ph", local.now_ms - 90 * 86_400_000 + n, 7.0, 1, n, 0) for n in range(5)]
    new = [Reading("attic", "ph", local.now_ms + n, 7.0, 1, 100 + n, 0) for n in range(5)]
    mixed = [reading for pair in zip(old, new, strict=True) for reading in pair]
    local.add(mixed)
    local.run(drain)
    assert on_server(settings) == new
    report = local.report(settings)
    assert (report.too_old, report.refused, report.waiting, report.error) == (5, 0, 0, "")
    assert local.store.set_aside_rows() == []  # nothing is wrong with them
    local.run(local.drain(settings))
    assert local.report(settings).too_old == 5


def test_a_name_that_can_be_no_tag(local: Local, database: str, shared_nginx: Nginx) -> None:
    settings = settings_for(shared_nginx.url, database)
    good = [Reading("attic", "ph", START_MS + n, 7.0, 1, n, 0) for n in range(3)]
    local.add([good[0], Reading("attic\\", "ph", START_MS, 7.0, 1, 9, 0), *good[1:]])
    local.run(local.drain(settings))
    assert on_server(settings) == good
    assert local.report(settings).refused == 1
    assert "can't be a tag of InfluxDB" in local.store.set_aside_rows()[0].reason


def test_a_time_that_is_out_of_influxdbs_range(local: Local, database: str, shared_nginx: Nginx) -> None:
    settings = settings_for(shared_nginx.url, database)
    good = [Reading("attic", "ph", START_MS + n, 7.0, 1, n, 0) for n in range(3)]
    local.add([good[0], Reading("attic", "ph", 10**14, 7.0, 1, 9, 0), *good[1:]])  # the year 5138
    local.run(local.drain(settings))
    assert on_server(settings) == good
    assert local.report(settings).refused == 1


# -- VictoriaMetrics -----------------------------------------------------------------------------------------


def test_victoriametrics_takes_what_is_written(local: Local, servers: Servers) -> None:
    """At `/api/v2/write` without anything between; what it has is read back by its own export."""
    victoria = servers.victoria()
    settings = settings_for(victoria.url, "tanks")
    local.feed(300)
    local.run(local.drain(settings))
    report = local.report(settings)
    assert (report.waiting, report.refused, report.error) == (0, 0, "")
    found = victoria.samples('{__name__="tank_readings_value"}')
    samples = sorted(
        (line["metric"]["tank"], line["metric"]["quantity"], time_ms, value)
        for line in found
        for time_ms, value in zip(line["timestamps"], line["values"], strict=True)
    )
    wanted = sorted((r.tank, r.quantity, r.time_ms, r.value) for r in local.arrived if r.value is not None)
    assert len(samples) == len(wanted)
    assert samples == wanted
