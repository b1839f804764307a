"""A real InfluxDB server gives back what the local file has, to readers and to the analysis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rushlight.analysis.replay.files import Replay
from rushlight.analysis.replay.store import DAY_MS, replay_store
from rushlight.collector.errors import ServerAway, StoreError
from rushlight.collector.influx.reader import InfluxReadings
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import Reading
from rushlight.collector.settings import StoreSettings, parse_settings
from rushlight.collector.store.records import ReadingSource, in_time_order
from rushlight.simulator.scene import SCENE
from tests.collector.influx_local import MINUTE, QUANTITIES, START_MS, TANKS, Local, on_server, settings_for
from tests.collector.influx_servers import Influxd, Nginx, Servers


@pytest.fixture
def filled(local: Local, database: str, shared_nginx: Nginx) -> StoreSettings:
    """A server that has all that the local file has."""
    settings = settings_for(shared_nginx.url, database)
    local.feed(400)
    drain = local.drain(settings)
    local.run(drain)
    local.feed(100)
    local.run(drain)
    report = local.report(settings)
    assert (report.waiting, report.copying_from_ms, report.refused, report.error) == (0, None, 0, "")
    return settings


def test_readings_come_back_as_they_are_in_the_local_file(local: Local, filled: StoreSettings) -> None:
    assert len(local.arrived) > 3000
    for page in (10_000, 777):
        assert on_server(filled, page) == local.all()


def test_pages_that_end_within_a_millisecond(local: Local, filled: StoreSettings) -> None:
    local.add([Reading("attic", "ph", local.now_ms, 7.0, 1, 10_000_000 + n, 0) for n in range(20)])
    start = local.now_ms - 5 * MINUTE
    local.run(local.drain(filled))
    with InfluxReadings(filled, page=7) as server:
        assert list(server.readings("attic", "ph", start)) == list(local.store.readings("attic", "ph", start))


def test_nothing_is_doubled_by_writing_it_all_again(
    local: Local, filled: StoreSettings, shared_influxd: Influxd
) -> None:
    assert filled.bucket is not None
    assert shared_influxd.points(filled.bucket) == len(local.arrived)
    local.store.delete_state("influxdb", f"{filled.url} {filled.org} {filled.bucket}")
    local.run(local.drain(filled))
    assert shared_influxd.points(filled.bucket) == len(local.arrived)


@pytest.mark.parametrize("span", [(None, None), (20, None), (None, 30), (20.5, 30.25), (30, 20), (9e4, None)])
def test_spans_series_and_frames_are_equal(
    local: Local, filled: StoreSettings, span: tuple[float | None, float | None]
) -> None:
    start, end = (None if minutes is None else START_MS + round(minutes * MINUTE) for minutes in span)
    with InfluxReadings(filled, page=500) as server:
        for tank in TANKS:
            for quantity in QUANTITIES:
                of = (tank, quantity, start, end)
                assert list(server.readings(*of)) == list(local.store.readings(*of))
                for ours, theirs in zip(server.columns(*of), local.store.columns(*of), strict=True):
                    np.testing.assert_array_equal(ours, theirs)
                    assert ours.dtype == theirs.dtype
                pd.testing.assert_frame_equal(server.frame(*of), local.store.frame(*of))


def test_the_ends_of_a_span_are_those_of_the_local_file(local: Local, filled: StoreSettings) -> None:
    times = [reading.time_ms for reading in local.store.readings("attic", "ph")]
    with InfluxReadings(filled) as server:
        for start, end in ((times[3], times[9]), (times[3], times[9] + 1), (times[3] + 1, times[9])):
            wanted = list(local.store.readings("attic", "ph", start, end))
            assert list(server.readings("attic", "ph", start, end)) == wanted != []


def test_tanks_quantities_and_latest(local: Local, filled: StoreSettings) -> None:
    with InfluxReadings(filled) as server:
        assert server.tanks() == local.store.tanks() == sorted(TANKS)
        for tank in TANKS:
            assert server.quantities(tank) == local.store.quantities(tank) == sorted(QUANTITIES)
            assert server.latest(tank) == local.store.latest(tank)
        for nobody in ("", "no such", "' OR 1=1 --", "\\"):
            assert server.quantities(nobody) == []
            assert server.latest(nobody) == {}
            assert list(server.readings(nobody, "ph")) == []
            assert len(server.frame(nobody, "ph")) == 0


def test_names_that_need_quoting_in_lines_and_in_questions(
    local: Local, database: str, shared_nginx: Nginx
) -> None:
    settings = settings_for(shared_nginx.url, database)
    names = ["it's", 'a "b"', "a\\b", "a\\,b", "größe 水槽", "a=b,c d", "#1", "--", "tank", "a\\'b"]
    local.add([Reading(name, "ph", START_MS + n, 7.0 + n, 1, n, 0) for n, name in enumerate(names)])
    local.run(local.drain(settings))
    assert local.report(settings).refused == 0
    with InfluxReadings(settings) as server:
        assert server.tanks() == sorted(names)
        for name in names:
            assert list(server.readings(name, "ph")) == list(local.store.readings(name, "ph"))


def test_points_by_somebody_else_are_read_as_far_as_they_go(
    database: str, shared_influxd: Influxd, shared_nginx: Nginx
) -> None:
    # from another program into the same measurement: without number, flag and stamp
    shared_influxd.write(database, f"tank_readings,tank=a,quantity=ph value=7.5 {START_MS}000000")
    shared_influxd.write(database, f"other,tank=a,quantity=ph value=1 {START_MS}000000")
    with InfluxReadings(settings_for(shared_nginx.url, database)) as server:
        assert list(server.readings("a", "ph")) == [Reading("a", "ph", START_MS, 7.5, 2, -1, 0)]


def test_an_empty_bucket_and_none(database: str, no_database: str, shared_nginx: Nginx) -> None:
    with InfluxReadings(settings_for(shared_nginx.url, database)) as server:
        assert server.tanks() == []
        assert server.latest("attic") == {}
        assert list(server.readings("attic", "ph")) == []
    missing = no_database + "_not_there"
    with (
        InfluxReadings(settings_for(shared_nginx.url, missing)) as server,
        pytest.raises(ServerAway, match=f"has no bucket '{missing}'.*make it there, or correct store.bucket"),
    ):
        server.tanks()


def test_a_server_that_is_none_of_influxdbs(servers: Servers, database: str) -> None:
    page = servers.nginx("http://127.0.0.1:1", "location = /query { return 200 '<html>hello</html>'; }")
    with (
        InfluxReadings(settings_for(page.url, database)) as server,
        pytest.raises(
            StoreError, match=r"no answer of InfluxDB .*is store\.url that of an InfluxDB server\?"
        ),
    ):
        server.tanks()


# -- the analysis -----------------------------------------------------------------------------------------


def test_the_analysis_says_the_same_from_both_stores(
    local: Local, database: str, shared_nginx: Nginx
) -> None:
    """Two days of the demo and its carbon dioxide surge, through file and server."""
    config = parse_settings(SCENE.settings_for("/dev/ttyUSB0"), "rushlight.toml")
    surge = SCENE.chapters[2]
    scene = replace(SCENE, start_ms=surge.start_ms - 2 * DAY_MS, chapters=(surge,), step_s=60)
    intake = Intake(config)
    flagged: list[Reading] = []
    for number, (time_ms, values) in enumerate(scene.reports()):
        for quantity, value in values:
            flagged += intake.take(Reading(scene.tank, quantity, time_ms, value, seq=number))
    local.add(flagged)
    local.now_ms = scene.end_ms
    settings = settings_for(shared_nginx.url, database)
    local.run(local.drain(settings))

    def said(source: ReadingSource) -> tuple[object, ...]:
        recording = replay_store(config, source, scene.tank, surge.start_ms, surge.end_ms)
        return recording.readings, recording.events, recording.standing, recording.samples

    def events(source: ReadingSource) -> Iterator[object]:
        rows = ((r.time_ms, r.tank, r.quantity, r.value, bool(r.stamp)) for r in in_time_order(source))
        return Replay(config, pytest.fail).events(rows, scene.end_ms)

    with InfluxReadings(settings, page=5000) as server:
        from_file, from_server = said(local.store), said(server)
        assert from_server == from_file
        raised = {event.alarm for event in from_file[1] if event.event == "raised"}  # type: ignore[attr-defined]
        assert surge.expected_alarm in raised
        whole = list(events(local.store))
        assert list(events(server)) == whole != []
