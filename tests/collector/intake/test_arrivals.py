"""Floods: what waits is bounded by number and by bytes, what is said of it by kind."""

from __future__ import annotations

import json
import logging
import queue
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.collector.intake.arrivals import Waiting
from rushlight.collector.intake.batch import Arrival, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.log import ClearLog
from rushlight.collector.settings import parse_settings
from tests.collector.service.test_service import SETTINGS, TOPIC, Bench, limit_pages, pack
from tests.conftest import now_ms, wait_for

MIB = 1024 * 1024


def arrival(size: int) -> Arrival:
    return Arrival(0, Delivery("link", None, b"x" * size, 0))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "rushlight.db")
    yield made
    made.store.close()


@given(st.lists(st.integers(0, 70_000), max_size=60), st.integers(1, 40), st.integers(1, 2_000_000))
def test_all_that_is_let_in_comes_out_in_order_and_no_more_is_let_in(
    sizes: list[int], most: int, most_bytes: int
) -> None:
    waiting, stopped = Waiting(most, most_bytes), threading.Event()
    stopped.set()  # do not wait for room
    taken = [size for size in sizes if waiting.put(arrival(size), stopped)]
    held = sum(taken)
    assert waiting.qsize() == len(taken) <= most
    assert held <= waiting.waiting_bytes() and held < most_bytes + 70_000
    if len(taken) < min(len(sizes), most):
        assert waiting.waiting_bytes() >= most_bytes
    out: list[Arrival] = []
    while not waiting.fill(out, len(taken) + 1) and not waiting.empty():
        pass
    assert [len(one.delivery.payload) for one in out] == taken
    assert waiting.empty() and waiting.waiting_bytes() == 0


def test_a_batch_is_bounded_by_bytes_too() -> None:
    waiting, stop = Waiting(), threading.Event()
    for _ in range(500):
        assert waiting.put(arrival(60_000), stop)
    out: list[Arrival] = []
    assert waiting.fill(out, 1000)
    assert 8 * MIB <= sum(len(one.delivery.payload) + 500 for one in out) < 8 * MIB + 61_000
    with pytest.raises(queue.Empty):
        Waiting().get(0.01)


def test_a_flood_while_the_disk_is_full_takes_little_room_and_is_lost_in_no_part(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    with bench.running() as link:
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: link.acknowledged == [0], "the first report")
        limit_pages(bench.store, 1)

        def flood() -> None:
            for seq in range(1, 1200):  # 72 MB
                link.give(TOPIC, pack(seq) + b" " * 60_000, seq)

        giver = threading.Thread(target=flood)
        giver.start()
        queued = bench.service._queue
        most = 0
        while giver.is_alive():  # judged on, without its payloads; what is not judged yet is bounded by bytes
            most = max(most, queued.waiting_bytes())
            giver.join(0.005)
        wait_for(lambda: "no room left" in caplog.text, "the full disk to be named")
        assert 0 < most < 33 * MIB
        assert len(link.acknowledged) < 1200
        limit_pages(bench.store, 1_000_000)
        wait_for(lambda: len(link.acknowledged) == 1200, "the rest")
    assert [r.seq for r in bench.store.readings("hallway", "temperature")] == list(range(1200))


def test_ten_thousand_unknown_tanks_are_one_line_a_minute(caplog: pytest.LogCaptureFixture) -> None:
    now = now_ms()
    say = ClearLog(logging.getLogger("rushlight.flood"), lambda: now)
    maker = BatchMaker(parse_settings(SETTINGS), say)
    flood = []
    for number in range(10_000):
        topic = f"rushlight/t{number}/readings"
        payload = json.dumps([{"n": "temperature", "v": 21.0}]).encode()
        flood.append(Arrival(0, Delivery("broker", topic, payload, now)))
    one_of_ours = Arrival(0, Delivery("broker", TOPIC, b"torn", now))
    maker.make(flood[:5000])
    maker.make([one_of_ours])
    maker.make(flood[5000:])
    lines = [record.getMessage() for record in caplog.records]
    assert len(lines) == 2
    assert "tank 't0' is not in the settings" in lines[0] and "hallway" in lines[1]
    assert len(say._causes) == 2
    now += 60_000
    maker.make(flood[:1])
    assert "(and 9999 more of these since the last such line)" in caplog.text


def test_a_long_topic_is_not_kept_whole(caplog: pytest.LogCaptureFixture) -> None:
    say = ClearLog(logging.getLogger("rushlight.flood"), now_ms)
    maker = BatchMaker(parse_settings(SETTINGS), say)
    long = "shed/" + "x" * 60_000 + "/t"  # a mapped one
    batch = maker.make([Arrival(0, Delivery("broker", long, b"warm", now_ms()))])
    assert len(batch.aside[0].topic) == 200
    assert max(len(record.getMessage()) for record in caplog.records) < 1000
    assert maker._maps[0]._matching == {}
    assert say.say("y" * 60_000, "said") and max(map(len, say._causes)) <= 200
    assert say.over("y" * 60_000, "over")
