"""Brokers that end are remembered until they have ended: a kill meanwhile leaves nothing behind in them."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest

from rushlight.collector.errors import SettingsError, StoreError
from rushlight.collector.links import Link
from rushlight.collector.service.let_go import LET_GO_META, LetGo
from rushlight.collector.service.parts import PartLink
from rushlight.collector.settings import LinkSettings, MqttLink
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.service.test_link_exchange import ATTIC, CELLAR, MAPPED, OTHER_PORT, PORT, World

NOW = 1_772_330_400_000
WEEK = 7 * 86_400_000  # as long as the collector asks a broker to keep its session


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as made:
        yield made


def taken_up(store: EmbeddedStore, *wanted: LinkSettings, now_ms: int = NOW) -> World:
    """A start with these settings."""
    world = World(*wanted)
    LetGo(store).take_up(world.links, wanted, world.make, now_ms)
    world.links.start()
    return world


def test_what_ends_is_remembered_until_it_has(store: EmbeddedStore) -> None:
    let_go, world = LetGo(store), World(ATTIC, PORT)
    wanted = [CELLAR, PORT]
    prepared = world.links.prepare(wanted, world.make)
    assert world.links.ending() == [] and world.links.ending(prepared) == [ATTIC]
    let_go.keep(world.links.ending(prepared), NOW)  # before anything is changed: the disk may be full after
    world.links.use(wanted, prepared)
    assert world.links.ending() == [ATTIC]
    # a second change before the first is over
    later = world.links.prepare([PORT], world.make)
    assert world.links.ending(later) == [CELLAR, ATTIC]
    world.up(2)
    world.step(0, 1, 2)
    assert world.links.ending() == []
    assert [link.name for link in taken_up(store, CELLAR).links.all.values()] == ["cellar", "attic"]
    let_go.keep(world.links.ending(), NOW)
    assert json.loads(store.get_meta(LET_GO_META) or "") == []
    assert len(taken_up(store, CELLAR).links.all) == 1


def test_only_brokers_are_remembered_and_not_twice(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    let_go = LetGo(store)
    let_go.keep([PORT], NOW)  # a serial line can't send again
    assert store.get_meta(LET_GO_META) is None
    let_go.keep([ATTIC, OTHER_PORT], NOW)

    def full(*_: object) -> None:
        raise StoreError("no room")

    monkeypatch.setattr(store, "set_meta", full)
    let_go.keep([ATTIC], NOW + 30_000)  # said already: nothing is written
    LetGo(store).keep([ATTIC], NOW + 60_000)
    with pytest.raises(StoreError):
        let_go.keep([], NOW)
    with pytest.raises(StoreError):
        let_go.keep([], NOW)  # what could not be written is not taken as written
    assert "attic" in (store.get_meta(LET_GO_META) or "")


def test_the_next_start_fetches_what_is_there_and_then_lets_go(
    store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    LetGo(store).keep([ATTIC], NOW)
    world = taken_up(store, CELLAR, PORT)
    assert "attic: is asked for what it still holds" in caplog.text
    # it asks for nothing new from the beginning
    assert world.events.index("retire attic") < world.events.index("start attic")
    assert world.names() == ["cellar", "/dev/a"] and world.links.known[2] == ATTIC
    assert world.links.ending() == [ATTIC]
    world.events.clear()
    attic = world.link(2)
    assert world.step(0, 100, 10_000) == []  # it can't be reached yet
    attic.counters["connected"] = 1
    assert world.step(10_001) == ["retire attic"]
    attic.bring(1)
    assert world.step(10_001.5, 20_000) == []
    world.links.acknowledge(world.arrivals)
    assert world.step(20_001) == ["stop attic"]
    world.step(20_002)
    assert world.links.ending() == [] and list(world.links.all) == [0, 1]


def test_the_settings_may_name_it_again(store: EmbeddedStore) -> None:
    LetGo(store).keep([ATTIC], NOW)
    mapped = MqttLink(host="attic", map=MAPPED)
    assert len(taken_up(store, mapped).links.all) == 1  # one name at one broker is never there twice
    assert len(taken_up(store, PORT, mapped).links.all) == 2
    # while it is asked for the rest: the same connection goes on
    world = taken_up(store, CELLAR)
    world.use(CELLAR, ATTIC)
    assert world.names() == ["cellar", "attic"] and list(world.links.all) == [0, 1]
    assert world.links.ending() == []


def test_what_a_broker_has_forgotten_is_not_asked_for(store: EmbeddedStore) -> None:
    let_go = LetGo(store)
    let_go.keep([ATTIC], NOW)
    let_go.keep([ATTIC, CELLAR], NOW + 1_000)  # the first keeps its own time
    assert len(taken_up(store, PORT, now_ms=NOW + WEEK - 1).links.all) == 3
    assert [link.name for link in taken_up(store, PORT, now_ms=NOW + WEEK).links.all.values()] == [
        "/dev/a",
        "cellar",
    ]
    assert len(taken_up(store, PORT, now_ms=NOW + WEEK + 1_000).links.all) == 1
    # a clock that was put back forgets nothing
    assert len(taken_up(store, PORT, now_ms=0).links.all) == 3


def test_a_part_asks_by_its_own_topics(store: EmbeddedStore) -> None:
    part = PartLink(host="attic", client_id="x-1-of-2", tanks=["sill"], group="rushlight-1-of-2", map=MAPPED)
    LetGo(store).keep([part, ATTIC], NOW)
    known = taken_up(store, CELLAR).links.known
    assert known[1] == part and known[2] == ATTIC
    assert isinstance(known[1], PartLink) and known[1].filters() == part.filters()


def test_a_broker_that_cannot_be_asked_is_said_and_keeps_nobody_from_starting(
    store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    LetGo(store).keep([ATTIC, CELLAR], NOW)
    world = World(PORT)

    def make(settings: LinkSettings) -> Link:
        if settings == ATTIC:
            raise SettingsError("ATTIC_PASSWORD is not set")
        return world.make(settings)

    LetGo(store).take_up(world.links, [PORT], make, NOW)
    assert [link.name for link in world.links.all.values()] == ["/dev/a", "cellar"]
    assert "attic:1883, which a reload has taken out" in caplog.text
    assert "ATTIC_PASSWORD is not set" in caplog.text


def test_what_another_version_has_written_keeps_nobody_from_starting(store: EmbeddedStore) -> None:
    store.set_meta(LET_GO_META, '{"other": 1}')
    assert len(taken_up(store, PORT).links.all) == 1
    LetGo(store).keep([ATTIC], NOW)
    assert len(taken_up(store, PORT).links.all) == 2
