"""The live analysis: snapshots, restarts at any moment, requests, and learning anew."""

from __future__ import annotations

import logging
import math
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings, strategies

from rushlight.analysis.commands.options import parse_span_ms
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.views.facts import collect_facts
from rushlight.analysis.watch.saved import ANALYSIS_STATE, DEVICE_META
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore

SETTINGS = """
[tanks.hallway]
title = "Hallway shelf"
volume_litres = 54
timezone = "Europe/Lisbon"
[tanks.hallway.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
[tanks.shed]
volume_litres = 20
timezone = "Europe/Lisbon"
[tanks.shed.livestock]
temperature_low_c = 5.0
temperature_high_c = 26.0
"""
BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z
HALF_MINUTE = 30_000


def readings(number: int = 700) -> list[Reading]:
    """Six hours of two tanks: the hallway gets too warm and cools again, twice."""
    found = []
    for i in range(number):
        time_ms = BEGAN + i * HALF_MINUTE
        warm = 24.0 + 3.5 * math.sin(i / 350 * 2 * math.pi) + i % 3 / 100
        found.append(Reading("hallway", "temperature", time_ms, warm, 1, i))
        found.append(Reading("hallway", "ph", time_ms, 6.8 + i % 7 / 100, 1, i))
        found.append(Reading("shed", "temperature", time_ms + 5000, 15.0 + i % 5 / 100, 1, i))
    return found


def notifier(parsed: Settings, clock: Any = lambda: BEGAN) -> Notifier:
    return Notifier(parsed.notices, environment={"RUSHLIGHT_NOTICE_URLS": "json://localhost/a"}, clock=clock)


class Service:
    """What `rushlight.collector.service.loop` does with its listener, one step at a time; `kill` forgets the
    memory."""

    def __init__(self, path: Path, text: str = SETTINGS) -> None:
        self.path, self.text = path, text
        self.now = BEGAN
        self.boot()

    def boot(self) -> None:
        parsed = parse_settings(self.text)
        self.store = EmbeddedStore(self.path, synchronous="OFF")  # these tests pull no plug
        self.live = LiveAnalysis(parsed, notifier(parsed), lambda: self.now)
        self.live.start(self.store, self.now)

    def kill(self) -> None:
        self.store.close()
        self.boot()

    def commit(self, batch: Sequence[Reading], closing: bool = False) -> None:
        with self.store.transaction():
            self.store.add_readings(batch)
            self.live.keep(self.store, self.now, closing)
        self.live.kept(self.now)

    def give(self, batch: Sequence[Reading]) -> None:
        self.now = max([self.now, *(r.time_ms for r in batch)])
        self.live.take(batch, self.now)
        self.commit(batch)

    def events(self, tank: str = "hallway") -> list[tuple[str, str, str]]:
        return [(e.time, e.alarm, e.event) for e in self.store.events(tank=tank)]

    def alarms(self, tank: str = "hallway") -> dict[str, str]:
        return {key[1]: str(r.state) for key, r in self.live.watches[tank].book.records().items()}


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path / "rushlight.db")
    yield made
    made.store.close()


@pytest.fixture(scope="module")
def unbroken(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[str, str, str]]:
    """Events of a service that nobody kills."""
    whole = Service(tmp_path_factory.mktemp("unbroken") / "rushlight.db")
    for at in range(0, 2100, 30):
        whole.give(readings()[at : at + 30])
    found = whole.events()
    whole.store.close()
    assert [event for *_, event in found if event == "raised"] == ["raised"] * 2
    return found


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    cuts=strategies.lists(strategies.integers(1, 2099), max_size=6, unique=True), lost=strategies.booleans()
)
def test_killed_at_any_moment_it_judges_as_if_it_had_lived(
    cuts: list[int],
    lost: bool,
    unbroken: list[tuple[str, str, str]],
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    run = Service(tmp_path_factory.mktemp("killed") / "rushlight.db")
    stream = readings()
    at = 0
    for cut in [*sorted(cuts), len(stream)]:
        while at < cut:
            run.give(stream[at : min(at + 30, cut)])
            at = min(at + 30, cut)
        if lost and at < len(stream):
            run.live.take(stream[at : at + 30], run.now)  # judged, and killed before the commit
        run.kill()
    assert run.events() == unbroken
    assert {n.occurrence for n in run.store.pending_notices()} <= {e.occurrence for e in run.store.events()}
    run.store.close()


def test_an_event_its_notice_and_the_snapshot_are_one_transaction(service: Service) -> None:
    stream = readings(100)
    service.live.take(stream, stream[-1].time_ms)
    service.now = stream[-1].time_ms
    with pytest.raises(StoreError), service.store.transaction():
        service.store.add_readings(stream)
        service.live.keep(service.store, service.now, False)
        assert service.store.events() and service.store.pending_notices()
        raise StoreError("the disk is full")
    assert not service.store.events() and not service.store.pending_notices()
    assert service.store.load_state(ANALYSIS_STATE, "hallway") is None
    service.commit(stream)  # the same again: nothing was forgotten, nothing doubled
    assert [event for *_, event in service.events()] == ["raised"]
    (notice,) = service.store.pending_notices()
    assert notice.occurrence == service.store.events()[0].occurrence
    saved = service.store.load_state(ANALYSIS_STATE, "hallway")
    assert saved is not None and saved[1] == len(stream)


def test_silence_is_noticed_by_time_alone_but_not_right_after_a_start(service: Service) -> None:
    service.give(readings(20))
    service.kill()
    service.now += 3_600_000
    service.kill()  # the service itself was away for an hour
    service.live.tick(service.now + 5_000)
    assert "device-silent" not in service.alarms()
    service.live.tick(service.now + 61_000)
    assert service.live.wants(service.now)
    service.now += 61_000
    service.commit([])
    assert ("device-silent", "raised") in [event[1:] for event in service.events()]
    assert ("device-silent", "raised") in [event[1:] for event in service.events("shed")]


def test_the_services_own_absence_is_not_the_devices_silence(service: Service) -> None:
    stream = readings(20)
    service.give(stream)
    service.kill()
    later = [msgspec.structs.replace(r, time_ms=r.time_ms + 7_200_000, seq=r.seq + 20) for r in stream]
    service.give(later[:3])
    service.kill()  # given to the analysis again, it must not find the gap either
    service.give(later[3:])
    service.give([])
    assert service.store.events() == []
    # while the service lives, the same gap is the device's
    service.give([msgspec.structs.replace(r, time_ms=r.time_ms + 7_200_000, seq=r.seq + 20) for r in later])
    assert {(e.tank, e.alarm) for e in service.store.events()} == {
        ("hallway", "device-silent"),
        ("shed", "device-silent"),
    }


def test_people_acknowledge_and_shelve(service: Service) -> None:
    service.give(readings(100))
    store = service.store

    def ask(kind: str, tank: str, alarm: str, **more: int) -> int:
        return store.add_request(kind, tank, alarm, "", more, "ann", service.now)

    good = ask("acknowledge", "hallway", "temperature-high")
    twice = ask("acknowledge", "hallway", "temperature-high")
    wrong = ask("acknowledge", "hallway", "temperature-low")
    nowhere = ask("acknowledge", "attic", "temperature-low")
    unknown = ask("acknowledge", "hallway", "boredom")
    shelf = ask("shelve", "shed", "temperature-low", for_ms=7_200_000)
    service.live.poll(store, service.now)
    service.live.poll(store, service.now)  # again before it is kept: nothing is done twice
    assert store.request_outcome(good) is None
    service.commit([])
    assert store.request_outcome(good) == "done: hallway/temperature-high acknowledged"
    assert store.request_outcome(twice) == "done: hallway/temperature-high was acknowledged already"
    for number, words in (
        (wrong, "is not raised"),
        (nowhere, "not in the running"),
        (unknown, "is no alarm"),
    ):
        outcome = store.request_outcome(number) or ""
        assert outcome.startswith("refused: ") and words in outcome
    assert (store.request_outcome(shelf) or "").startswith("done: shed/temperature-low shelved until 1 Mar, ")
    assert store.open_requests() == []
    (acknowledged,) = [e for e in store.events() if e.event == "acknowledged"]
    assert acknowledged.actor == "ann"
    service.kill()
    assert service.alarms() == {"temperature-high": "acknowledged"}
    assert service.alarms("shed") == {"temperature-low": "shelved"}
    for _ in range(2):  # the first tells of silence, as of its deadline
        service.now += 7_200_001
        service.live.tick(service.now)
    assert service.alarms("shed") == {"device-silent": "unacknowledged"}


def test_a_snapshot_of_another_version_is_learnt_anew_and_alarms_are_not_sent_again(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    service.give(readings(100))
    before, notices = service.events(), service.store.pending_notices()
    number = service.store.add_request(
        "acknowledge", "hallway", "temperature-high", "", {}, "ann", service.now
    )
    service.live.poll(service.store, service.now)
    service.commit([])
    assert service.store.request_outcome(number)
    blob, position = service.store.load_state(ANALYSIS_STATE, "hallway") or (b"", 0)
    state, book = msgspec.msgpack.decode(blob, type=tuple[bytes, bytes])
    older = msgspec.msgpack.decode(zlib.decompress(state)) | {"version": 0}
    service.store.save_state(
        ANALYSIS_STATE, "hallway", msgspec.msgpack.encode([msgspec.msgpack.encode(older), book]), position
    )
    service.kill()
    assert "learning again from the last 22 days" in caplog.text
    assert service.alarms() == {"temperature-high": "acknowledged"}
    service.commit([])
    assert [e for e in service.events() if e[2] != "acknowledged"] == before
    assert {n.id for n in service.store.pending_notices()} <= {n.id for n in notices}
    # and the detectors have their memory: the same as of a watch that has had all readings
    whole = TankWatch("hallway", parse_settings(SETTINGS).tanks["hallway"])
    for reading in readings(100):
        if reading.tank == "hallway":
            whole.feed(reading)
    assert service.live.watches["hallway"].of(TemperatureDetector) == whole.of(TemperatureDetector)


def test_a_snapshot_that_is_rubbish_closes_what_was_open_and_raises_what_is_active(service: Service) -> None:
    service.give(readings(100))
    (old,) = service.store.events()
    service.store.save_state(ANALYSIS_STATE, "hallway", b"rubbish", service.store.position())
    service.kill()
    service.commit([])
    assert service.alarms() == {"temperature-high": "unacknowledged"}
    open_ = {e.occurrence for e in service.store.events() if e.event == "raised"} - {
        e.occurrence for e in service.store.events() if e.event == "cleared"
    }
    # exactly the book's own occurrence is open in the store: it can be cleared, acknowledged, reminded of
    assert open_ == {r.occurrence for r in service.live.watches["hallway"].book.records().values()}
    service.kill()
    service.commit([])
    assert len([e for e in service.store.events() if e.event == "raised"]) == len({old.occurrence} | open_)


def test_a_tank_taken_out_and_put_back_keeps_its_memory(service: Service) -> None:
    service.give(readings(100))
    service.commit([], closing=True)
    remembered = service.live.watches["hallway"].of(TemperatureDetector)
    service.text = SETTINGS[SETTINGS.index("[tanks.shed]") :]
    service.kill()
    assert service.store.states(ANALYSIS_STATE) == ["shed"]  # so that the store may pack the hallway's days
    service.text = SETTINGS
    service.kill()
    assert service.live.watches["hallway"].of(TemperatureDetector) == remembered
    assert service.alarms() == {"temperature-high": "unacknowledged"}


def test_one_detector_that_fails_stops_neither_the_others_nor_the_readings(
    service: Service, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(reading: Reading) -> None:
        raise ZeroDivisionError("a detector's own")

    monkeypatch.setattr(service.live.watches["shed"], "feed", broken)
    service.give(readings(100))
    assert service.alarms() == {"temperature-high": "unacknowledged"}
    assert caplog.text.count("the analysis failed on a reading") == 1
    assert len(list(service.store.readings("shed", "temperature"))) == 100


def test_a_broken_detector_is_logged_once_and_shown_and_the_rest_of_the_tank_is_judged(
    service: Service, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a detector's own")

    monkeypatch.setattr(CarbonDioxideDetector, "update", broken)
    service.give(readings(100))
    assert service.alarms() == {"temperature-high": "unacknowledged"}
    assert caplog.text.count("hallway: can't judge carbon dioxide here") == 1
    assert "in broken" in caplog.text  # the trace
    (tank,) = (
        t
        for t in collect_facts(parse_settings(SETTINGS), service.store, service.now).tanks
        if t.name == "hallway"
    )
    assert (
        tank.failure is not None
        and tank.failure.detector == "carbon dioxide"
        and tank.failure.age_ms < 90_000
    )
    monkeypatch.undo()
    monkeypatch.setattr(TemperatureDetector, "update", broken)
    service.give(readings()[300:1500])
    # nobody has seen the water cool again: what stood stands
    assert service.alarms() == {"temperature-high": "unacknowledged"}
    monkeypatch.undo()
    service.give(readings()[1500:])
    assert "cleared" in {event for _, _, event in service.events()}


def test_replay_hides_no_broken_detector(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a detector's own")

    monkeypatch.setattr(CarbonDioxideDetector, "update", broken)
    watch = TankWatch("hallway", parse_settings(SETTINGS).tanks["hallway"])
    with pytest.raises(ZeroDivisionError):
        for reading in readings(10):
            if reading.tank == "hallway":
                watch.feed(reading)


def test_what_a_device_says_is_noted(service: Service) -> None:
    service.live.device("hallway", False, BEGAN)
    assert service.live.wants(BEGAN)
    service.commit([])
    assert service.store.get_meta(DEVICE_META + "hallway") == f"offline {BEGAN}"
    assert not service.live.wants(BEGAN)


def test_spans_of_time() -> None:
    assert parse_span_ms("2h") == 7_200_000
    assert parse_span_ms("90min") == parse_span_ms("90m") == parse_span_ms("1h30m") == 5_400_000
    assert parse_span_ms("1d12h") == 36 * 3_600_000
    for wrong in ("", "0h", "2", "h", "-1h", "2h later"):
        with pytest.raises(ValueError, match="write 2h, 90min or 1d12h"):
            parse_span_ms(wrong)
