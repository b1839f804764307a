"""Notices while the store can't be written, and targets newer than the alarm: real store, real HTTP."""

from __future__ import annotations

import logging
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings, strategies

from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.service.live import UNKEPT_MS, LiveAnalysis
from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import Notice
from tests.analysis.notices.test_notices import Inbox

SETTINGS = """
[tanks.landing]
title = "Landing"
volume_litres = 54
timezone = "Europe/Lisbon"
[tanks.landing.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""
BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z
MIN = 60_000
HALF_MINUTE = 30_000


def readings(first: int, last: int) -> list[Reading]:
    """Too warm from about the second hour, cool again in the third, and once more."""
    return [
        Reading(
            "landing",
            "temperature",
            BEGAN + i * HALF_MINUTE,
            24.0 - 3.5 * math.cos(i / 175 * math.pi) + i % 3 / 100,
            1,
            i,
        )
        for i in range(first, last)
    ]


@pytest.fixture
def boxes() -> Iterator[list[Inbox]]:
    made = [Inbox(), Inbox()]
    yield made
    for box in made:
        box.close()


class House:
    """Service and sender in one thread, by a clock that the test moves; its store can be made to refuse.

    A disk that is really full is in the tests of the whole service.
    """

    def __init__(self, path: Path, text: str = SETTINGS) -> None:
        self.path = path
        self.settings: Settings = parse_settings(text)
        self.now = BEGAN
        self.well = True
        self.waiting: list[Reading] = []
        self.store = EmbeddedStore(path, synchronous="OFF")  # these tests pull no plug

    def start(self, *boxes: Inbox, heartbeat: str = "") -> None:
        self.notifier = Notifier(
            self.settings.notices,
            environment={
                "RUSHLIGHT_NOTICE_URLS": " ".join(box.url for box in boxes),
                "RUSHLIGHT_HEARTBEAT_URL": heartbeat,
            },
            clock=lambda: self.now,
            is_well=lambda: self.well,
        )
        self.live = LiveAnalysis(self.settings, self.notifier, lambda: self.now)
        self.live.start(self.store, self.now)
        self.commit([])

    def kill(self) -> None:
        self.store.close()
        self.store = EmbeddedStore(self.path, synchronous="OFF")
        self.waiting = []

    def fill(self, full: bool) -> None:
        """SQLite itself refuses each write of this connection, however small."""
        self.store._run(f"PRAGMA query_only = {int(full)}")

    def commit(self, batch: Sequence[Reading]) -> bool:
        self.live.take(batch, self.now)
        self.waiting += batch
        try:
            with self.store.transaction():
                self.store.set_meta("written", str(self.now))
                self.store.add_readings(self.waiting)
                self.live.keep(self.store, self.now, False)
        except StoreError as error:
            self.well = False
            self.live.hold(self.store, self.now, str(error))
            return False
        self.well, self.waiting = True, []
        self.live.kept(self.now)
        return True

    def play(self, first: int, last: int) -> None:
        """A commit, or the try of one, each two and a half minutes; a round of sending after each."""
        for at in range(first, last, 5):
            batch = readings(at, min(at + 5, last))
            self.now = batch[-1].time_ms
            self.commit(batch)
            self.notifier.run_once(self.store, self.now)

    def stored(self) -> list[Notice]:
        return [
            Notice(*row)
            for row in self.store._all(f"SELECT {', '.join(Notice._fields)} FROM notices ORDER BY id")
        ]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path / "rushlight.db")
    yield made
    made.store.close()


def of_tank(box: Inbox) -> list[str]:
    return [title for title in box.titles if "Rushlight" not in title]


def of_itself(box: Inbox) -> list[str]:
    return [title for title in box.titles if "Rushlight" in title]


@pytest.fixture
def undisturbed(tmp_path: Path, boxes: list[Inbox]) -> list[str]:
    """What arrives where nothing is full."""
    calm = House(tmp_path / "calm.db")
    calm.start(boxes[0])
    calm.play(0, 700)
    calm.store.close()
    titles = list(boxes[0].titles)
    boxes[0].posts.clear()
    assert len([t for t in titles if t.startswith("Over")]) >= 1 and len(titles) >= 4
    return titles


def test_with_a_full_disk_the_same_notices_arrive_and_once(
    house: House, boxes: list[Inbox], undisturbed: list[str]
) -> None:
    house.start(boxes[0])
    house.play(0, 60)
    house.fill(True)
    house.play(60, 500)
    assert house.waiting and not house.well  # nothing was kept
    assert [e for e in house.store.events() if e.event == "raised"] == []
    assert of_tank(boxes[0])
    house.fill(False)
    house.play(500, 700)
    assert house.waiting == [] and house.well
    assert of_tank(boxes[0]) == undisturbed
    # and the store says so: nothing waits, nothing goes out again after a restart
    assert [e.event for e in house.store.events()].count("raised") == 2
    house.kill()
    before = len(boxes[0].posts)
    house.start(boxes[0])
    assert house.notifier.run_once(house.store, house.now) == 0 and len(boxes[0].posts) == before
    rows = house.stored()
    assert {n.delivered_ms is None for n in rows if n.number == 0} == {False}


def test_that_readings_cannot_be_kept_is_said_repeated_and_taken_back(
    house: House, boxes: list[Inbox]
) -> None:
    house.start(*boxes)
    house.play(0, 5)
    house.fill(True)
    began = house.now
    house.commit(readings(5, 6))
    for seconds in range(0, 60, 5):
        house.now = began + seconds * 1000
        house.live.hold(house.store, house.now, "no room left")
        house.notifier.run_once(house.store, house.now)
    assert of_itself(boxes[0]) == []
    assert UNKEPT_MS == 60_000
    house.now = began + UNKEPT_MS
    house.live.hold(house.store, house.now, "no room left")
    house.notifier.run_once(house.store, house.now)
    for box in boxes:
        (title,) = of_itself(box)
        assert title.startswith("HIGH: ") and "can't keep readings" in title and len(title) <= 100
        assert "no room left" in box.posts[-1]["message"] and "make room" in box.posts[-1]["message"]
    for minute in range(1, 31):
        house.now = began + UNKEPT_MS + minute * MIN
        house.live.hold(house.store, house.now, "no room left")
        house.notifier.run_once(house.store, house.now)
    assert len(of_itself(boxes[0])) == 3  # each quarter of an hour, as a high alarm nobody answers
    house.fill(False)
    assert house.commit(readings(6, 7))
    for _ in range(60):
        house.notifier.run_once(house.store, house.now)
        house.now += MIN
    assert [title[:5] for title in of_itself(boxes[1])] == ["HIGH:"] * 3 + ["Over:"]
    assert house.store.pending_notices() == []


def test_a_passing_lock_wakes_nobody(house: House, boxes: list[Inbox]) -> None:
    house.start(boxes[0])
    house.play(0, 5)
    house.fill(True)
    house.commit(readings(5, 6))
    house.now += UNKEPT_MS - 1
    house.live.hold(house.store, house.now, "busy")
    house.fill(False)
    assert house.commit(readings(6, 7))
    house.notifier.run_once(house.store, house.now)
    assert boxes[0].posts == []


def test_quiet_hours_do_not_hide_that_readings_cannot_be_kept(tmp_path: Path, boxes: list[Inbox]) -> None:
    quiet = '[notices]\nquiet_from = "00:00"\nquiet_to = "23:59"\nquiet_timezone = "UTC"\n'
    house = House(tmp_path / "rushlight.db", SETTINGS + quiet)
    house.start(boxes[0])
    house.fill(True)
    house.live.hold(house.store, house.now, "no room left")
    house.now += UNKEPT_MS
    house.live.hold(house.store, house.now, "no room left")
    house.notifier.run_once(house.store, house.now)
    assert len(of_itself(boxes[0])) == 1
    house.store.close()


def test_what_the_service_could_not_take_back_before_a_kill_is_not_sent(
    house: House, boxes: list[Inbox]
) -> None:
    house.start(boxes[0])
    house.fill(True)
    house.commit(readings(0, 1))
    house.now += UNKEPT_MS
    house.live.hold(house.store, house.now, "no room left")
    house.notifier.run_once(house.store, house.now)
    house.fill(False)
    with house.store.transaction():  # committed, and killed before the next step
        house.live.keep(house.store, house.now, False)
    assert len(house.store.pending_notices()) == 1  # its reminder
    house.kill()
    house.start(boxes[0])
    house.now += 60 * MIN
    house.notifier.run_once(house.store, house.now)
    assert len(boxes[0].posts) == 1 and house.store.pending_notices() == []


@pytest.mark.parametrize("reminder", [False, True])
def test_a_notice_that_cannot_be_marked_as_sent_is_sent_once(
    house: House, boxes: list[Inbox], reminder: bool, caplog: pytest.LogCaptureFixture
) -> None:
    house.start(*boxes, heartbeat=f"http://127.0.0.1:{boxes[0].port}/alive")
    house.play(0, 60)
    (raised, _), rest = _until_raised(house), 0
    if reminder:
        house.notifier.run_once(house.store, house.now)
        house.now += 15 * MIN
    before = [len(box.posts) for box in boxes]
    house.notifier.heartbeat.wait(10)
    house.fill(True)
    with caplog.at_level(logging.WARNING):
        for _ in range(60):
            rest += house.notifier.run_once(house.store, house.now)
            house.notifier.heartbeat.wait(10)
            house.now += 1000
    assert rest == 2 and [len(box.posts) for box in boxes] == [number + 1 for number in before]
    assert caplog.text.count("readonly database") == 1
    beats = len(boxes[0].gets)
    house.now += 30 * MIN  # the next reminder is due, and the heartbeat
    house.notifier.run_once(house.store, house.now)
    house.notifier.heartbeat.wait(10)
    assert [len(box.posts) for box in boxes] == [number + 2 for number in before]
    assert len(boxes[0].gets) == beats  # a restart would send it again: that is not well
    house.fill(False)
    house.notifier.run_once(house.store, house.now)
    house.notifier.heartbeat.wait(10)
    assert len(boxes[0].gets) == beats + 1
    house.kill()
    house.start(*boxes)
    assert house.notifier.run_once(house.store, house.now) == 0
    numbers = [n.number for n in house.store.notices(raised) if n.delivered_ms is not None]
    assert sorted(numbers) == sorted([*range(2 + reminder)] * 2)


def _until_raised(house: House) -> tuple[str, int]:
    """Play without sending until the first alarm is in the outbox."""
    for at in range(60, 700, 5):
        house.now = readings(at, at + 5)[-1].time_ms
        house.commit(readings(at, at + 5))
        waiting = house.store.pending_notices()
        if waiting:
            return waiting[0].occurrence, at + 5
    raise AssertionError("no alarm was raised")


def test_an_alarm_is_acknowledged_while_its_reminder_is_in_memory(house: House, boxes: list[Inbox]) -> None:
    house.start(boxes[0])
    house.play(0, 60)
    _until_raised(house)
    house.fill(True)
    assert house.notifier.run_once(house.store, house.now) == 1
    house.fill(False)
    alarm = house.store.events()[0].alarm
    house.store.add_request("acknowledge", "landing", alarm, "", {}, "Ines", house.now)
    house.live.poll(house.store, house.now)
    assert house.commit([])
    for _ in range(60):
        house.now += MIN
        house.notifier.run_once(house.store, house.now)
    assert len(boxes[0].posts) == 1 and house.store.pending_notices() == []


def test_a_store_that_cannot_be_read_either_keeps_no_alarm_from_people(
    house: House, boxes: list[Inbox], monkeypatch: pytest.MonkeyPatch
) -> None:
    house.start(boxes[0])
    house.play(0, 60)

    def broken(*_: Any) -> Any:
        raise StoreError("the disk has gone")

    monkeypatch.setattr(EmbeddedStore, "_run", broken)
    monkeypatch.setattr(EmbeddedStore, "transaction", broken)
    house.play(60, 300)
    assert any(title.startswith("HIGH") for title in of_tank(boxes[0]))
    assert len(of_itself(boxes[0])) >= 1
    monkeypatch.undo()
    assert house.commit([])
    assert house.store.events()[0].event == "raised"


def test_the_store_takes_a_notice_while_it_is_being_sent_from_memory(house: House) -> None:
    """A slow target: between sending and its answer the service has committed all that waited."""
    got: list[str] = []

    def take(url: str, title: str, *_: Any) -> bool:
        house.fill(False)
        assert house.commit([])
        got.append(title)
        return True

    house.start()
    house.notifier = Notifier(
        house.settings.notices,
        environment={"RUSHLIGHT_NOTICE_URLS": "json://127.0.0.1:9/a"},
        clock=lambda: house.now,
        sender=take,
    )
    house.live._notifier = house.notifier
    house.fill(True)
    for at in range(0, 200, 5):
        batch = readings(at, at + 5)
        house.now = batch[-1].time_ms
        house.commit(batch)
    assert house.notifier.run_once(house.store, house.now) == 2  # the alarm, and why it came from memory
    for _ in range(3):
        house.notifier.run_once(house.store, house.now)
    tank = [title for title in got if "Rushlight" not in title]
    assert len(tank) == 1
    (occurrence,) = {event.occurrence for event in house.store.events()}
    assert [(n.number, n.delivered_ms is None) for n in house.store.notices(occurrence)] == [
        (0, False),
        (1, True),
    ]


Played = list[tuple[int, str]]  # when, and the title


def played(path: Path, refusing: set[tuple[int, str]], answered_at: int) -> Played:
    """The whole story, with a store that refuses what it is asked at these commits and rounds of sending."""
    house = House(path)
    got: Played = []

    def take(url: str, title: str, *_: Any) -> bool:
        got.append((house.now, title))
        return True

    house.start()
    house.notifier = Notifier(
        house.settings.notices,
        environment={"RUSHLIGHT_NOTICE_URLS": "json://127.0.0.1:9/a json://127.0.0.1:9/b"},
        clock=lambda: house.now,
        sender=take,
    )
    house.live._notifier = house.notifier
    for at in range(0, 700, 5):
        batch = readings(at, at + 5)
        house.now = batch[-1].time_ms
        if at // 5 == answered_at:  # on another connection, while there is room
            house.fill(False)
            for alarm in {event.alarm for event in house.store.events()}:
                house.store.add_request("acknowledge", "landing", alarm, "", {}, "Ines", house.now)
            house.live.poll(house.store, house.now)
        house.fill((at // 5, "commit") in refusing)
        house.commit(batch)
        house.fill((at // 5, "send") in refusing)
        house.notifier.run_once(house.store, house.now)
    house.fill(False)
    assert house.commit([])
    house.notifier.run_once(house.store, house.now)
    house.notifier.run_once(house.store, house.now)
    waiting = [notice for notice in house.stored() if notice.delivered_ms is None]
    assert all(notice.number for notice in waiting), waiting  # reminders alone
    assert not house.notifier.keeping.holding
    house.store.close()
    return [one for one in got if "Rushlight" not in one[1]]


SPANS = strategies.lists(
    strategies.tuples(
        strategies.integers(20, 139),
        strategies.integers(1, 40),
        strategies.sampled_from(("commit", "send", "")),
    ),
    max_size=4,
)


@settings(max_examples=25, deadline=None)
@given(spans=SPANS, answered_at=strategies.integers(30, 139))
def test_whenever_the_store_refuses_the_same_notices_arrive_at_the_same_time(
    spans: list[tuple[int, int, str]], answered_at: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    refusing = {
        (at, phase)
        for start, length, only in spans
        for at in range(start, start + length)
        for phase in ("commit", "send")
        if only in ("", phase) and at not in (answered_at - 1, answered_at)
    }
    folder = tmp_path_factory.mktemp("refusing")
    calm = played(folder / "calm.db", set(), answered_at)
    assert len(calm) >= 4
    assert sorted(played(folder / "full.db", refusing, answered_at)) == sorted(calm)


# -- targets that are newer than the alarm -----------------------------------------------------------------


def test_an_alarm_older_than_the_only_target_is_reported_after_the_start(
    house: House, boxes: list[Inbox]
) -> None:
    house.start()
    house.play(0, 200)
    assert [e.event for e in house.store.events()] == ["raised"] and house.stored() == []
    house.kill()
    house.start(boxes[0])
    assert house.notifier.run_once(house.store, house.now) == 1
    assert "Landing" in boxes[0].titles[0] and "Not acknowledged" in boxes[0].posts[0]["message"]
    house.now += 15 * MIN
    house.notifier.run_once(house.store, house.now)
    assert len(boxes[0].posts) == 2  # and it reminds, as any
    house.kill()
    house.start(boxes[0])
    house.notifier.run_once(house.store, house.now)
    assert len(boxes[0].posts) == 2


def test_a_second_target_hears_of_what_is_active_and_the_first_not_again(
    house: House, boxes: list[Inbox]
) -> None:
    house.start(boxes[0])
    house.play(0, 200)
    first = len(boxes[0].posts)
    assert first
    house.kill()
    house.start(*boxes)
    house.notifier.run_once(house.store, house.now)
    assert (len(boxes[0].posts), len(boxes[1].posts)) == (first, 1)


def test_what_was_answered_or_is_over_is_not_reported_to_a_new_target(
    house: House, boxes: list[Inbox]
) -> None:
    house.start(boxes[0])
    house.play(0, 200)
    alarm = house.store.events()[0].alarm
    house.store.add_request("acknowledge", "landing", alarm, "", {}, "Ines", house.now)
    house.live.poll(house.store, house.now)
    house.commit([])
    house.kill()
    house.start(*boxes)
    house.notifier.run_once(house.store, house.now)
    assert boxes[1].posts == []
    house.play(200, 330)
    assert [e.event for e in house.store.events()] == ["raised", "acknowledged", "cleared"]
    boxes[1].posts.clear()
    house.kill()
    house.start(*boxes)
    house.notifier.run_once(house.store, house.now)
    assert boxes[1].posts == []
