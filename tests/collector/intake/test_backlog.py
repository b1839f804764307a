"""What waits for the store: how much of it, in which order, and all of it together."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rushlight.collector.intake import backlog
from rushlight.collector.intake.backlog import Backlog
from rushlight.collector.intake.batch import Arrival, Batch
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore

NOW = 1_772_330_400_000  # 2026-03-01T02:00Z


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Room for two reports of two readings."""
    monkeypatch.setattr(backlog, "REPORTS", 2)
    monkeypatch.setattr(backlog, "_READINGS", 2)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as made:
        yield made


def arrival(number: int, token: Any = True) -> Arrival:
    return Arrival(0, Delivery("mqtt", "t", b"payload", NOW + number, False, token))


def batch(first: int, reports: int = 1, readings: int = 1, token: Any = True) -> Batch:
    """Reports from `first` on, and so many readings in all."""
    return Batch(
        arrivals=[arrival(first + n, token) for n in range(reports)],
        readings=[Reading("hallway", "ph", NOW + first * 100 + n, 6.8, 1, first) for n in range(readings)],
        states=[("stamper", "hallway", b"%d" % first)],
    )


def test_the_figures_are_those_that_were_thought_about() -> None:
    # common practice, no source
    assert (backlog.REPORTS, backlog._READINGS, backlog._ASIDE) == (20_000, 10, 1000)


@pytest.mark.parametrize(
    ("reports", "readings", "full", "brimful"),
    [
        (1, 3, False, False),
        (2, 3, True, False),
        (1, 4, True, False),
        (3, 7, True, False),
        (4, 7, True, True),
        (3, 8, True, True),
    ],
)
@pytest.mark.usefixtures("small")
def test_it_is_full_by_reports_or_by_readings_and_takes_twice_that(
    reports: int, readings: int, full: bool, brimful: bool
) -> None:
    waits = Backlog()
    assert (waits.full, waits.brimful, waits.empty, len(waits)) == (False, False, True, 0)
    waits.add(batch(0, reports, readings))
    assert (waits.full, waits.brimful, waits.empty, len(waits)) == (full, brimful, False, reports)
    waits.clear()
    assert (waits.full, waits.brimful, waits.empty, len(waits)) == (False, False, True, 0)


@pytest.mark.usefixtures("small")
def test_where_it_is_full_a_serial_line_s_are_let_go_and_a_broker_s_are_not(store: EmbeddedStore) -> None:
    waits = Backlog()
    line, broker = [arrival(1, None), arrival(3, None)], [arrival(2), arrival(4)]
    mixed = [line[0], broker[0], line[1], broker[1]]
    assert waits.parts(mixed) == [mixed]
    waits.add(batch(0, 2, 2, None))
    assert waits.let_go == 0 and len(waits) == 2
    assert waits.parts(mixed) == [line, broker]
    assert waits.parts(line) == [line] and waits.parts(broker) == [broker]
    waits.add(batch(5, 2, 3, None))
    assert waits.let_go == 3 and len(waits) == 2
    waits.add(batch(6, 1, 1))
    both = batch(7, 1, 1, None)
    both.arrivals.append(arrival(8))  # what came with something that was promised
    waits.add(both)
    assert waits.let_go == 3 and len(waits) == 5
    waits.write(store)
    assert [r.seq for r in store.readings("hallway", "ph")] == [0, 0, 6, 7]
    assert store.counters() == {"let-go": 3}
    state = store.load_state("stamper", "hallway")
    assert state is not None and state[0] == b"7"  # as it is behind all of them
    waits.clear()
    assert waits.let_go == 0


def test_what_waits_keeps_its_order_and_no_payloads(store: EmbeddedStore) -> None:
    waits = Backlog()
    for first in (0, 2, 4):
        waits.add(batch(first, 2, 2))
    assert [a.delivery.arrived_ms - NOW for a in waits.arrivals] == [0, 1, 2, 3, 4, 5]
    assert {a.delivery.payload for a in waits.arrivals[2:]} == {b""}
    for _ in range(2):  # it may be written again where that failed
        waits.write(store)
    assert [r.seq for r in store.readings("hallway", "ph")] == [0, 0, 2, 2, 4, 4]
    assert len(waits) == 6


def test_what_could_not_be_read_waits_too_so_much_of_it(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backlog, "_ASIDE", 3)
    waits = Backlog()
    for number in range(5):
        bad = Batch(arrivals=[arrival(number)])
        for _ in range(2):
            bad.aside.append(("mqtt", "t", b"%d" % number, 1, "not valid JSON", NOW))  # type: ignore[arg-type]
        bad.count("bad.json", 2)
        waits.add(bad)
    waits.write(store)
    assert [row.payload_head for row in store.set_aside_rows()] == [b"0", b"0", b"1"]
    assert store.counters()["bad.json"] == 10


@pytest.mark.parametrize(
    "part",
    [{"arrivals": [arrival(0)]}, {"counts": {"bad.json": 1}}, {"states": [("stamper", "hallway", b"1")]}],
    ids=lambda part: str(next(iter(part))),
)
def test_whatever_is_to_be_written_waits(part: dict[str, Any]) -> None:
    waits = Backlog()
    waits.add(Batch(**part))
    assert not waits.empty
    waits.clear()
    assert waits.empty
