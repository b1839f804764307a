"""The embedded store: readings, events, outbox, requests, states. Real SQLite files throughout."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import ReadingStore


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "a.db") as store:
        yield store


def reading(
    time_ms: int, value: float | None = 24.0, seq: int = -1, quantity: str = "temperature"
) -> Reading:
    return Reading("hallway", quantity, time_ms, value, 1, seq, 0)


def event(kind: str = "raised", time: str = "2026-03-01T02:14:10Z", tank: str = "hallway") -> Event:
    return Event(
        time=time,
        tank=tank,
        alarm="co2-overdose",
        event=kind,  # type: ignore[arg-type]
        priority="high",
        value=38.2,
        unit="mg/L",
        summary="HIGH: CO2 38 mg/L",
        detail="",
        cautions=["Unplug at the wall first."],
        occurrence=f"{tank}/co2-overdose/2026-03-01T02:14:10Z",
    )


def queue(store: EmbeddedStore, **changes: object) -> bool:
    notice: dict[str, object] = {
        "occurrence": "o",
        "transition": "raised",
        "target": "0",
        "title": "CO2",
        "body": "high",
        "priority": "high",
        "created_ms": 100,
    }
    return store.queue_notice(**(notice | changes))  # type: ignore[arg-type]


READINGS = st.builds(
    Reading,
    st.sampled_from(["hallway", "shed"]),
    st.sampled_from(["temperature", "ph"]),
    st.integers(0, 40).map(lambda n: n * 10_000),
    st.none() | st.floats(-50, 50),
    st.sampled_from([1, 2, 3, 4, 9]),
    st.integers(-1, 2),
    st.integers(0, 1),
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(batches=st.lists(st.lists(READINGS, max_size=12), max_size=8), again=st.randoms())
def test_redelivered_readings_are_one_row_each(
    tmp_path: Path, batches: list[list[Reading]], again: object
) -> None:
    first: dict[tuple[str, str, int, int], Reading] = {}
    beside = 0
    for batch in batches:
        for r in batch:
            at = r.time_ms
            while (
                there := first.get((r.tank, r.quantity, at, r.seq))
            ) is not None and there.value != r.value:
                at += 1
            if there is None:
                first[r.tank, r.quantity, at, r.seq] = msgspec.structs.replace(r, time_ms=at)
                beside += at > r.time_ms
    path = tmp_path / "redelivery.db"
    path.unlink(missing_ok=True)
    with EmbeddedStore(path, synchronous="OFF") as store:
        new = sum(store.add_readings(batch) for batch in batches)
        repeats = [r for batch in batches for r in batch]
        again.shuffle(repeats)  # type: ignore[attr-defined]
        assert store.add_readings(repeats) == 0
        arrived = list(store.arrivals_after(0))
        assert [r for _, r in arrived] == list(first.values())
        positions = [position for position, _ in arrived]
        assert positions == sorted(set(positions))
        assert new == len(first)
        counted = store.counters()
        assert sum(n for name, n in counted.items() if name.endswith(".collided")) == beside
        for tank in store.tanks():
            newest = {}
            for quantity in store.quantities(tank):
                want = [r for r in first.values() if (r.tank, r.quantity) == (tank, quantity)]
                want.sort(key=lambda r: (r.time_ms, r.seq))
                assert list(store.readings(tank, quantity)) == want
                inside = [r for r in want if 50_000 <= r.time_ms < 200_000]
                assert list(store.readings(tank, quantity, 50_000, 200_000)) == inside
                newest[quantity] = want[-1]
            assert store.latest(tank) == newest
        whole = [r for _, r in store.arrivals_after(0, tank="shed")]
        assert whole == [r for r in first.values() if r.tank == "shed"]


def test_another_value_under_a_key_that_is_taken_is_kept_and_counted(store: EmbeddedStore) -> None:
    def of(value: float | None, time_ms: int = 1_772_330_400_000) -> Reading:
        return Reading("hallway", "ph", time_ms, value, 1)

    first = 1_772_330_400_000
    assert store.add_readings([of(6.8), of(6.9), of(6.8), of(None), of(float("nan"))]) == 3
    kept = [(r.time_ms - first, r.value) for r in store.readings("hallway", "ph")]
    assert kept == [(0, 6.8), (1, 6.9), (2, None)]
    store.compact(first + 10 * 86_400_000)  # packed, it is the same
    assert store.add_readings([of(7.0), of(6.9), of(None)]) == 1
    assert [r.value for r in store.readings("hallway", "ph")] == [6.8, 6.9, None, 7.0]
    assert store.counters() == {"hallway.collided": 3}
    assert [r.value for _, r in store.arrivals_after(0)][-1] == 7.0
    # a clock that stands still: what finds no room within a second is counted
    store.add_readings([of(n / 8, first + 60_000) for n in range(1003)])
    assert store.counters() == {"hallway.collided": 1003, "hallway.crowded-out": 2}


def test_arrivals_continue_where_a_saved_state_ends(store: EmbeddedStore) -> None:
    store.add_readings([reading(n) for n in range(5000)])
    with store.transaction():
        store.add_readings([reading(5000)])
        store.save_state("analysis", "hallway", b"\x00state", store.position())
    store.add_readings([reading(7000), reading(6000)])  # late ones come in their order of arrival
    saved = store.load_state("analysis", "hallway")
    assert saved is not None
    blob, position = saved
    assert blob == b"\x00state"
    assert [r.time_ms for _, r in store.arrivals_after(position)] == [7000, 6000]
    assert store.load_state("analysis", "shed") is None
    assert store.states("analysis") == ["hallway"]


@pytest.mark.parametrize("count", [1, 99, 100, 101, 250])
def test_the_order_of_arrival_is_kept_however_many_come_at_once(store: EmbeddedStore, count: int) -> None:
    times = [(7 * n) % 251 for n in range(count)]  # not in the order of time
    store.add_readings([reading(n) for n in times])
    store.add_readings([reading(1000), reading(times[0])])  # the second is a repeat
    store.add_readings([reading(999)])
    found = list(store.arrivals_after(0))
    assert [r.time_ms for _, r in found] == [*times, 1000, 999]
    assert [position for position, _ in found] == [*range(1, count + 2), count + 3]


def test_a_transaction_is_all_or_nothing(store: EmbeddedStore) -> None:
    with pytest.raises(RuntimeError), store.transaction():
        store.add_readings([reading(1)])
        store.add_event(event())
        queue(store)
        raise RuntimeError
    assert store.position() == 0
    assert store.events() == []
    assert store.pending_notices() == []
    assert store.tanks() == []
    assert store.add_readings([reading(1)]) == 1  # the series is made again
    assert list(store.readings("hallway", "temperature")) == [reading(1)]


def test_a_failure_inside_undoes_all_even_when_caught(store: EmbeddedStore) -> None:
    with pytest.raises(StoreError, match=r"start it again|undone"), store.transaction():
        store.add_readings([reading(1)])
        with pytest.raises(StoreError):
            store.add_readings([reading(2), reading(2**63)])  # no 64-bit number
    assert list(store.arrivals_after(0)) == []
    assert store.add_readings([reading(1)]) == 1


def test_threads_take_turns(store: EmbeddedStore) -> None:
    def write(tank: str) -> None:
        for n in range(20):
            with store.transaction():
                store.add_readings([Reading(tank, "ph", n * 10, 6.8)])
                store.add_readings([Reading(tank, "light", n * 10, 7000.0)])

    threads = [threading.Thread(target=write, args=(f"t{n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(list(store.arrivals_after(0))) == 4 * 20 * 2


def test_events_are_kept_once_and_found_again(store: EmbeddedStore) -> None:
    assert store.add_event(event())
    assert not store.add_event(event())
    assert store.add_event(event("cleared", "2026-03-01T03:00:00.250Z"))
    assert store.add_event(event(tank="shed"))
    assert [e.event for e in store.events(tank="hallway")] == ["raised", "cleared"]
    assert store.events(tank="hallway")[0] == event()
    # 2026-03-01T03:00:00Z by `date -u -d … +%s`
    assert [e.event for e in store.events(since_ms=1772334000_000)] == ["cleared"]
    assert [e.event for e in store.events(tank="hallway", limit=1)] == ["cleared"]
    assert len(store.events(occurrence="shed/co2-overdose/2026-03-01T02:14:10Z")) == 1
    with pytest.raises(StoreError, match="offset"):
        store.add_event(event(time="2026-03-01T02:14:10"))


def test_a_notice_waits_until_its_target_took_it(store: EmbeddedStore) -> None:
    assert queue(store)
    assert not queue(store)
    assert queue(store, number=1, not_before_ms=900)
    assert queue(store, target="1", priority="critical")
    assert [(n.target, n.number) for n in store.due_notices(100)] == [("1", 0), ("0", 0)]
    assert [n.target for n in store.due_notices(100, limit=1)] == ["1"]
    first = store.due_notices(100)[1]
    store.notice_failed(first.id, 500, "connection refused")
    assert [n.target for n in store.due_notices(499)] == ["1"]
    again = next(n for n in store.due_notices(500) if n.id == first.id)
    assert (again.attempts, again.error) == (1, "connection refused")
    store.notice_delivered(first.id, 510)
    assert not queue(store)  # delivered: still never queued twice
    assert len(store.pending_notices()) == 2
    assert store.cancel_notices("o") == 2
    assert store.pending_notices() == store.due_notices(10**15) == []
    assert [n.delivered_ms for n in store.notices("o")].count(510) == 1
    assert store.drop_old_notices(100) == 0
    assert store.drop_old_notices(101) == 3


def test_who_has_word_of_an_alarm_that_is_active_is_not_forgotten(store: EmbeddedStore) -> None:
    raised = event()
    assert store.add_event(raised)
    for number in (0, 1):
        assert queue(store, occurrence=raised.occurrence, number=number)
        store.notice_delivered(store.pending_notices()[0].id, 510)
    assert store.drop_old_notices(10**15) == 1  # the reminder
    assert store.targets_with_word(raised.occurrence) == {"0"}
    assert store.add_event(event("cleared", "2026-03-01T04:14:10Z"))
    assert store.drop_old_notices(10**15) == 1
    assert store.targets_with_word(raised.occurrence) == set()


def test_requests_go_to_the_service_and_back(store: EmbeddedStore) -> None:
    with EmbeddedStore(store.path) as command:
        number = command.add_request("shelve", "hallway", "light-dimming", "", {"hours": 2}, "ana", 5)
        assert command.request_outcome(number) is None
        (request,) = store.open_requests()
        assert (request.id, request.kind, request.arguments, request.actor) == (
            number,
            "shelve",
            {"hours": 2},
            "ana",
        )
        store.close_request(number, "shelved until 04:14", 6)
        store.close_request(number, "refused", 7)
        assert command.request_outcome(number) == "shelved until 04:14"
    assert store.open_requests() == []
    with pytest.raises(StoreError, match="no request 99"):
        store.request_outcome(99)


def test_another_writer_does_not_confuse_what_is_remembered(store: EmbeddedStore) -> None:
    store.add_readings([reading(1)])
    with EmbeddedStore(store.path) as other:
        assert other.add_readings([Reading("shed", "ph", 1, 7.0), reading(1)]) == 1
    assert store.add_readings([Reading("shed", "ph", 1, 7.0), Reading("loft", "ph", 1, 7.0)]) == 1
    assert store.tanks() == ["hallway", "loft", "shed"]


def test_a_writer_waits_for_another_one_and_says_so(store: EmbeddedStore) -> None:
    with EmbeddedStore(store.path, busy_ms=20) as other:
        with store.transaction():
            store.add_readings([reading(1)])
            with pytest.raises(StoreError, match="another process"):
                other.add_readings([reading(2)])
        assert other.add_readings([reading(2)]) == 1
    assert len(list(store.arrivals_after(0))) == 2


def test_it_is_a_store_of_readings(store: EmbeddedStore) -> None:
    """The type checker holds the class to the protocol; this holds the names to it at run time."""
    kept: ReadingStore = store
    names = [name for name in dir(ReadingStore) if not name.startswith("_")]
    assert len(names) > 6
    assert all(callable(getattr(kept, name)) for name in names)


def test_the_last_thousand_payloads_are_set_aside(store: EmbeddedStore) -> None:
    with store.transaction():
        for n in range(1005):
            store.set_aside("mqtt", "x/y", b"\xff" * 10_000, 10_000, "json", n)
    rows = store.set_aside_rows()
    assert [row.time_ms for row in rows] == list(range(5, 1005))
    assert (rows[0].size, len(rows[0].payload_head)) == (10_000, 4096)


def test_single_values_and_counters(store: EmbeddedStore) -> None:
    assert store.get_meta("a") is None
    store.set_meta("a", "1")
    store.set_meta("a", "2")
    store.add_counts({"lost": 2, "crc": 1})
    store.add_counts({"lost": 3})
    assert store.get_meta("a") == "2"
    assert store.counters() == {"crc": 1, "lost": 5}


def test_opening_for_reading_only(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with pytest.raises(StoreError, match="no such file"):
        EmbeddedStore(path, read_only=True)
    assert not path.exists()
    with EmbeddedStore(path) as writer, EmbeddedStore(path, read_only=True) as reader:
        writer.add_readings([reading(1)])
        assert [r for _, r in reader.arrivals_after(0)] == [reading(1)]
        with pytest.raises(StoreError, match="reading only"):
            reader.add_readings([reading(2)])
        reader.backup(tmp_path / "copy.db")
    assert [p.name for p in tmp_path.glob("copy.db*")] == ["copy.db"]
    with EmbeddedStore(tmp_path / "copy.db", read_only=True) as copy:
        assert list(copy.readings("hallway", "temperature")) == [reading(1)]
        assert copy.check() == []


def test_what_is_no_store_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    path.write_bytes(b"a shopping list, long enough to look like a file header" * 20)
    for read_only in (False, True):
        with pytest.raises(StoreError, match="no store"):
            EmbeddedStore(path, read_only=read_only)
    assert path.read_bytes().startswith(b"a shopping list")
    with pytest.raises(StoreError, match="can't be written"):
        EmbeddedStore(tmp_path / "nowhere" / "a.db")
