"""What is published of alarms, an event at a time: state by the book, nothing of tests and of others."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.findings import Finding
from rushlight.analysis.notices.alarm_topics import AlarmTopics
from rushlight.collector.events import Event
from rushlight.collector.store.embedded import EmbeddedStore

NOW = 1_772_330_400_000
HOT = "rushlight/nook/alarms/temperature-high"


class Link:
    def __init__(self) -> None:
        self.sent: list[tuple[str, Any]] = []

    def publish(self, topic: str, payload: bytes) -> None:
        self.sent.append((topic, json.loads(payload)))


class World:
    """A tank with an alarm that is raised, and two links."""

    def __init__(self, store: EmbeddedStore) -> None:
        self.store = store
        self.book = AlarmBook("nook", "Nook")
        self.watches: Any = {"nook": SimpleNamespace(book=self.book)}
        self.links: list[Any] = [Link(), Link()]
        self.topics = AlarmTopics(lambda: self.links)
        self.asked = 0
        events: list[Event] = []
        for minute in range(90):
            events += self.book.update(
                [Finding(alarm="temperature-high", priority="high")], NOW + minute * 60_000
            )
        (self.raised,) = events
        store.add_event(self.raised)

    def over(self) -> Event:
        """It ends; so that nothing is left of it, somebody has seen it."""
        self.book.acknowledge(("nook", "temperature-high", ""), NOW + 7_200_000, "Ines")
        events = [self.book.update([], NOW + minute * 60_000) for minute in range(120, 300)]
        (cleared,) = [one for some in events for one in some]
        self.store.add_event(cleared)
        return cleared

    def sent(self) -> list[tuple[str, str, str]]:
        """Topic, event and state, the same on each link."""
        one, other = ([(t, p["event"], p["state"]) for t, p in link.sent] for link in self.links)
        assert one == other
        for link in self.links:
            link.sent.clear()
        return one


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as store:
        yield World(store)


def test_an_alarm_is_published_with_its_state_until_it_is_over(world: World) -> None:
    world.topics.told(world.watches, [world.raised])
    assert world.sent() == [(HOT, "raised", "unacknowledged")]
    cleared = world.over()
    # several of one alarm at a time: the last of them, as the book has it by now
    world.topics.told(world.watches, [world.raised, cleared])
    assert world.sent() == [(HOT, "cleared", "normal")]


def test_the_payload_is_the_event_itself(world: World) -> None:
    world.topics.told(world.watches, [world.raised])
    (_, payload), *_ = world.links[0].sent
    assert payload == {"state": "unacknowledged", **msgspec.to_builtins(world.raised)}


def test_a_test_alarm_and_a_tank_that_is_gone_are_not_published(world: World) -> None:
    test = msgspec.structs.replace(world.raised, test=True)
    gone = msgspec.structs.replace(world.raised, tank="gone")
    world.topics.told(world.watches, [test, gone])
    assert world.sent() == []
    world.topics.told(world.watches, [gone, world.raised, test])
    assert world.sent() == [(HOT, "raised", "unacknowledged")]


def test_at_the_start_all_that_the_store_knows_is_said_again(world: World) -> None:
    probe = msgspec.structs.replace(world.raised, alarm="probe-fault", quantity="ph", occurrence="x")
    world.store.add_event(probe)
    world.topics.begin(world.watches, world.store)
    # of the second the book knows nothing any more: it is over
    topics = [(HOT, "raised", "unacknowledged"), ("rushlight/nook/alarms/probe-fault/ph", "raised", "normal")]
    assert sorted(world.sent()) == sorted(topics)


def test_one_link_that_fails_keeps_no_other_from_it(world: World, caplog: pytest.LogCaptureFixture) -> None:
    def refuse(topic: str, payload: bytes) -> None:
        raise OSError("gone")

    world.links[0].publish = refuse
    world.topics.told(world.watches, [world.raised])
    assert len(world.links[1].sent) == 1 and "could not be published" in caplog.text


def test_where_no_link_publishes_nothing_is_read_for_it(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.links = []
    monkeypatch.setattr(world.store, "events", lambda **_: pytest.fail("thousands of events are read"))
    world.topics.begin(world.watches, world.store)
    world.topics.told(world.watches, [world.raised])
