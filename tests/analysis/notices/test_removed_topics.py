"""What a broker keeps of a tank that was taken out of the settings is taken away: once, and only that."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from rushlight.analysis.notices.alarm_topics import publishers
from rushlight.analysis.notices.removed_topics import TOPICS_META, RemovedTopics
from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.notices.test_alarm_topics import TANK, retained
from tests.analysis.notices.test_queue_safety import NOON, event
from tests.conftest import Broker, wait_for
from tests.running_service import Service, mqtt_link

HOT = "rushlight/alcove/alarms/temperature-high"
PROBE = "rushlight/alcove/alarms/probe-fault/ph"


class Link:
    alarms = True

    def __init__(self) -> None:
        self.sent: list[tuple[str, bytes]] = []
        self.there = True

    def publish(self, topic: str, payload: bytes) -> None:
        self.sent.append((topic, payload))

    def flushed(self) -> bool:
        return self.there


class Home:
    """A store with events of a tank "alcove", and two brokers."""

    def __init__(self, store: EmbeddedStore) -> None:
        self.store = store
        self.one, self.other = Link(), Link()
        self.links: list[Any] = [self.one, self.other]
        probe = msgspec.structs.replace(event(alarm="probe-fault"), quantity="ph")
        test = msgspec.structs.replace(event(alarm="light-missing"), test=True)
        store.add_readings([Reading("alcove", "ph", NOON, 6.8, 1, 0), Reading("nook", "ph", NOON, 6.8, 1, 0)])
        for one in (event(), probe, test, event("cleared")):
            store.add_event(one)
        self.boot()

    def boot(self) -> None:
        self.topics = RemovedTopics(lambda: publishers(self.links))

    def begin(self, *tanks: str, watched: tuple[str, ...] | None = None) -> list[tuple[str, bytes]]:
        self.one.sent.clear(), self.other.sent.clear()
        self.topics.begin(tanks, tanks if watched is None else watched, self.store)
        assert self.one.sent == self.other.sent
        return self.one.sent

    def kept(self) -> list[str] | None:
        said = self.store.get_meta(TOPICS_META)
        return None if said is None else json.loads(said)


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as store:
        yield Home(store)


def test_the_topics_of_a_tank_that_is_gone_are_cleared_once(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert home.begin("alcove", "nook") == [] and home.kept() == ["alcove", "nook"]
    # MQTT 5, section 3.3.1.3: an empty payload takes a retained message away. A test alarm was never there.
    assert home.begin("nook") == [(PROBE, b""), (HOT, b"")]
    home.topics.step(home.store)
    assert home.kept() == ["nook"]
    with monkeypatch.context() as patch:  # in the next rounds nothing is read or written for it
        patch.setattr(home.store, "get_meta", lambda _: pytest.fail("read in each round"))
        home.topics.step(home.store)
    assert home.begin("nook") == []
    # it may be watched by another collector by now
    home.boot()
    assert home.begin("nook") == []
    # and it may come back, and go again
    assert home.begin("alcove", "nook") == [] and home.kept() == ["alcove", "nook"]
    assert len(home.begin("nook")) == 2


def test_until_each_broker_has_it_the_next_start_does_it_again(home: Home) -> None:
    home.begin("alcove", "nook")
    home.other.there = False
    assert len(home.begin("nook")) == 2
    home.topics.step(home.store)
    assert home.kept() == ["alcove", "nook"]
    home.boot()
    assert len(home.begin("nook")) == 2
    home.other.there = True
    home.topics.step(home.store)
    assert home.kept() == ["nook"]
    # a link that has ended is waited for no longer
    home.begin("alcove", "nook")
    home.begin("nook")
    home.other.there = False
    home.links.remove(home.other)
    home.topics.step(home.store)
    assert home.kept() == ["nook"]


def test_a_store_that_was_there_before_clears_all_that_has_gone(home: Home) -> None:
    assert home.kept() is None
    assert len(home.begin("nook")) == 2


def test_a_tank_of_another_part_keeps_its_topics(home: Home) -> None:
    assert home.begin("alcove", "nook", watched=("nook",)) == []
    assert home.kept() == ["alcove", "nook"]
    assert len(home.begin("nook", watched=("nook",))) == 2  # gone from all the settings


def test_where_nothing_is_published_nothing_is_remembered(home: Home) -> None:
    for link in (home.one, home.other):
        link.alarms = False
    assert home.begin("nook") == [] and home.kept() is None


def test_a_store_that_cannot_be_written_costs_no_clearing(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    home.begin("alcove", "nook")

    def full(*_: object) -> None:
        raise StoreError("no room")

    home.begin("nook")
    with monkeypatch.context() as patch:
        patch.setattr(home.store, "set_meta", full)
        home.topics.step(home.store)
        with pytest.raises(StoreError):
            home.begin("nook")
        assert home.one.sent == []
    home.topics.step(home.store)
    assert home.kept() == ["nook"]


@pytest.mark.timeout(120)
def test_a_broker_loses_the_topics_of_a_tank_at_a_reload_and_at_a_start(
    mosquitto: Broker, tmp_path: Path
) -> None:
    head = mqtt_link(mosquitto.port) + "[status_page]\nenabled = false\n"
    other, third = TANK.replace("nook", "sill"), TANK.replace("nook", "loft")
    service = Service(tmp_path, head, TANK + other + third)
    topic = "rushlight/{}/alarms/light-missing"
    service.start()
    try:
        service.wait_log("connected")
        for tank in ("nook", "sill", "loft"):
            assert service.ask("shelve", tank, "light-missing", "--for", "1h").returncode == 0
        wait_for(lambda: len(retained(mosquitto)) == 3, "the shelves")
        (tmp_path / "rushlight.toml").write_text(head + TANK + third)
        assert service.ask("reload").returncode == 0
        wait_for(lambda: set(retained(mosquitto)) == {topic.format("nook"), topic.format("loft")}, "a reload")
        service.stop()
        (tmp_path / "rushlight.toml").write_text(head + TANK)
        service.start()
        wait_for(lambda: set(retained(mosquitto)) == {topic.format("nook")}, "a start")

        def kept() -> str | None:
            with EmbeddedStore(service.store, read_only=True) as store:
                return store.get_meta(TOPICS_META)

        wait_for(lambda: kept() == '["nook"]', "that it is done")
        time.sleep(0.5)
        assert set(retained(mosquitto)) == {topic.format("nook")}
    finally:
        service.end()
