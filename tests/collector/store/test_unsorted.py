"""Readings that have come and are not sorted in yet: nobody sees that they aren't."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rushlight.collector.errors import StoreError, StoreFull
from rushlight.collector.readings import Reading
from rushlight.collector.store import arrivals, schema
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import import_csv

DAY_MS = 86_400_000
START_MS = 20_000 * DAY_MS
QUANTITIES = ("temperature", "ph", "light")


def reading(quantity: str, second: int, value: float | None = 7.0, seq: int = -1) -> Reading:
    return Reading("hallway", quantity, START_MS + second * 1000, value, 1, seq, 0)


def counted(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as db:
        return int(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def all_that_is_seen(store: EmbeddedStore) -> list[Any]:
    """By each way in which readings are had."""
    seen: list[Any] = [store.position(), store.counters(), list(store.arrivals_after(0)), store.tanks()]
    seen.append([r for position, r in store.arrivals_after(store._compacted()) if position])
    for tank in store.tanks():
        seen += [
            store.latest(tank),
            store.latest(tank, START_MS + DAY_MS),
            list(store.arrivals_after(0, tank)),
        ]
        for quantity in store.quantities(tank):
            seen.append(list(store.readings(tank, quantity)))
            seen.append(list(store.readings(tank, quantity, START_MS + 20_000, START_MS + DAY_MS + 5000)))
            seen.append(repr(store.columns(tank, quantity)))
            seen.append(store.extremes(tank, quantity, START_MS, START_MS + 3 * DAY_MS, 3_600_000))
            seen.append(store.summaries(tank, quantity))
    return seen


READINGS = st.builds(
    Reading,
    tank=st.sampled_from(["hallway", "shed"]),
    quantity=st.sampled_from(QUANTITIES),
    # few moments, so that keys are taken often; on both sides of a day's end
    time_ms=st.integers(0, 40).map(lambda n: START_MS + DAY_MS + (n - 20) * 1000),
    value=st.sampled_from([None, 6.5, 7.0]),
    flag=st.sampled_from([1, 3]),
    seq=st.integers(-1, 1),
    stamp=st.just(0),
)
LATER = st.integers(1, 10).map(lambda n: ("later", n))
STEPS = st.lists(
    LATER
    | LATER
    | st.lists(READINGS, min_size=1, max_size=8).map(lambda many: ("any", many))
    | st.sampled_from([("again", 0), ("packed", 0), ("snapshot", 0), ("undone", 0), ("other", 0)]),
    max_size=12,
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(steps=STEPS)
def test_a_store_that_sorts_in_at_once_shows_the_same(steps: list[tuple[str, Any]]) -> None:
    """Late, repeated, colliding readings, undone commits, packed days, restarts, other writers."""
    with tempfile.TemporaryDirectory() as name:
        paths = [Path(name) / "lazy.db", Path(name) / "at-once.db"]
        stores = [EmbeddedStore(path, synchronous="OFF") for path in paths]
        second = 0
        for number, (what, with_) in enumerate(steps):
            for which, store in enumerate(stores):
                if what == "again":
                    store.close()
                    stores[which] = store = EmbeddedStore(paths[which], synchronous="OFF")
                elif what == "packed":
                    store.compact(START_MS + 3 * DAY_MS)
                elif what == "snapshot":
                    store.save_state("analysis", "hallway", b"", store.position())
                elif what == "undone":
                    undone(store, [reading("ph", 3 * 86_400, 6.0, 9)])
                elif what == "other":
                    with EmbeddedStore(paths[which], synchronous="OFF") as other:
                        other.add_readings([reading("light", 2 * 86_400 + number * 10, 5.0)])
                elif what == "any":
                    store.add_readings([msgspec.structs.replace(one) for one in with_])
                else:
                    many = [reading(q, 100_000 + second + n, seq=n) for n in range(with_) for q in QUANTITIES]
                    store.add_readings(many)
                if which:
                    with store.transaction():
                        store._sort_in()
            second += 10
            lazy, at_once = stores
            assert all_that_is_seen(lazy) == all_that_is_seen(at_once)
        with EmbeddedStore(paths[0], read_only=True) as reader:
            assert all_that_is_seen(reader) == all_that_is_seen(stores[1])
        for store in stores:
            assert store.check() == []
            store.close()


def undone(store: EmbeddedStore, readings: Sequence[Reading]) -> None:
    with pytest.raises(ZeroDivisionError), store.transaction():
        store.add_readings(readings)
        store.latest("hallway")
        raise ZeroDivisionError


def test_twenty_commits_lie_unsorted_and_then_none(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        for commit in range(1, 45):
            store.add_readings([reading(q, 10 * commit) for q in QUANTITIES])
            assert counted(path, "rows") == commit // 20 * 60, commit
            assert counted(path, "readings") == counted(path, "arrivals") == 3 * commit
        # a large one is a commit, too, and a small one behind it doesn't wait for twenty like the large one
        store.add_readings([reading("ph", 1000 + n) for n in range(500)])
        assert counted(path, "rows") == 120
        store.add_readings([reading("ph", 2000)])
        assert counted(path, "rows") == counted(path, "readings") == 44 * 3 + 501


@pytest.mark.parametrize("late", [(5, -1), (10, -1), (9, 4)], ids=["before", "a repeat", "another number"])
def test_what_is_late_is_sorted_in_at_once(tmp_path: Path, late: tuple[int, int]) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        store.add_readings(iter([reading("ph", 9), reading("ph", 10), reading("light", 10)]))
        assert counted(path, "rows") == 0
        new = store.add_readings(iter([reading("light", 11), reading("ph", late[0], seq=late[1])]))
        assert new == (1 if late == (10, -1) else 2)
        assert counted(path, "rows") == counted(path, "readings") == 3 + new


def test_beside_the_newest_is_newer_than_it(tmp_path: Path) -> None:
    """Another value under the newest one's key is kept a millisecond later; the next may have that time."""
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.add_readings([reading("ph", 10, 7.0)])
        store.add_readings([reading("ph", 10, 6.0)])
        beside = Reading("hallway", "ph", START_MS + 10_001, 5.0, 1, -1, 0)
        store.add_readings([beside])
        store.add_readings([reading("ph", 11)])
        assert [r.value for r in store.readings("hallway", "ph")] == [7.0, 6.0, 5.0, 7.0]
        assert store.counters() == {"hallway.collided": 2}


def test_after_a_kill_all_is_there_and_is_sorted_in_when_the_store_is_opened(tmp_path: Path) -> None:
    path, copy = tmp_path / "a.db", tmp_path / "killed.db"
    with EmbeddedStore(path) as store:
        many = [reading(q, 10 * n) for n in range(5) for q in QUANTITIES]
        store.add_readings(many)
        store.save_together([("stamper", "hallway", b"numbers")])
        for name in ("", "-wal"):
            Path(f"{copy}{name}").write_bytes(Path(f"{path}{name}").read_bytes())
    with EmbeddedStore(copy) as again:
        assert [r for _, r in again.arrivals_after(0)] == many
        assert counted(copy, "rows") == 15 and counted(copy, "recent_states") == 0
        assert again.load_state("stamper", "hallway") == (b"numbers", 0)


def test_a_store_without_room_is_opened_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        store.add_readings([reading("ph", 10)])

    def full(self: EmbeddedStore) -> None:
        raise StoreFull("no room left")

    with monkeypatch.context() as patched:
        patched.setattr(EmbeddedStore, "_sort_in", full)
        with EmbeddedStore(path) as store:
            assert list(store.readings("hallway", "ph")) == [reading("ph", 10)]
            with pytest.raises(StoreError):
                store.add_readings([reading("ph", 9)])
    with EmbeddedStore(path) as store:
        assert store.add_readings([reading("ph", 9)]) == 1


def test_a_file_of_schema_4_goes_on_where_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    rows = [(1, START_MS + n * 1000, n, 7.0, 1, 0, n + 1) for n in range(30)]
    with closing(sqlite3.connect(path)) as db, db:
        for statement in (s for version in schema.MIGRATIONS[:4] for s in version):
            db.execute(statement)
        db.execute("INSERT INTO series VALUES (1, 'hallway', 'ph')")
        db.executemany("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        keys = [(row[-1], *row[:3]) for row in rows[10:]]  # of the others nobody needs the order
        db.executemany("INSERT INTO arrivals VALUES (?, ?, ?, ?)", keys)
        db.execute("INSERT INTO meta VALUES ('compacted-position', '10')")
        db.execute("PRAGMA user_version = 4")
    with EmbeddedStore(path) as store:
        old = [reading("ph", n, seq=n) for n in range(30)]
        assert list(store.readings("hallway", "ph")) == old and store.position() == 30
        store.add_readings([reading("ph", 30, seq=30)])
        assert list(store.arrivals_after(28)) == [
            (29, old[28]),
            (30, old[29]),
            (31, reading("ph", 30, seq=30)),
        ]
        assert store.add_readings(old) == 0
        assert len(list(store.readings("hallway", "ph"))) == 31 and store.check() == []


def test_a_page_of_another_process_is_read_once_for_all_series(tmp_path: Path) -> None:
    """Hundreds of tanks ask for their newest reading: what lies unsorted is gone through once."""
    with EmbeddedStore(tmp_path / "a.db") as store:
        tanks = [f"shelf-{n}" for n in range(30)]
        store.add_readings([Reading(tank, "ph", START_MS, 7.0) for tank in tanks])
        looked = watch(store, "FROM arrivals")
        assert [store.latest(tank)["ph"].value for tank in tanks] == [7.0] * 30
        assert looked() == 1
        store.add_readings([Reading(tank, "ph", START_MS + 1, 6.0) for tank in tanks])
        assert [store.latest(tank)["ph"].value for tank in tanks] == [6.0] * 30
        assert looked() == 2


def watch(store: EmbeddedStore, words: str) -> Callable[[], int]:
    said: list[str] = []
    store._db.set_trace_callback(said.append)
    return lambda: sum(words in one and one.startswith("SELECT series") for one in said)


def test_in_one_statement_go_a_hundred_rows(tmp_path: Path) -> None:
    assert arrivals._ARRIVE_MANY.count("(?") == 100
    with EmbeddedStore(tmp_path / "a.db") as store:
        many = [reading("ph", n, float(n), n) for n in range(100 * 2 + 7)]
        store.add_readings(many)
        assert list(store.readings("hallway", "ph")) == many == [r for _, r in store.arrivals_after(0)]


def test_a_row_that_came_late_for_a_packed_day_is_not_its_end(tmp_path: Path) -> None:
    """What is packed is newer: its readings, sent again, are repeats also after a restart."""
    path = tmp_path / "a.db"
    many = [reading("ph", n) for n in range(10, 20)]
    with EmbeddedStore(path) as store:
        store.add_readings(many)
        assert store.compact(START_MS + 3 * DAY_MS).readings == 10
        assert store.add_readings([reading("ph", 5)]) == 1
    with EmbeddedStore(path) as store:
        assert store.add_readings([reading("ph", 19)]) == 0
        assert list(store.readings("hallway", "ph")) == [reading("ph", 5), *many]


def test_never_do_more_than_fifty_thousand_lie_unsorted(tmp_path: Path) -> None:
    """A backlog of large commits: whoever looks at a tank meanwhile must not wait."""
    path = tmp_path / "a.db"
    with EmbeddedStore(path, synchronous="OFF") as store:
        for commit in range(6):
            store.add_readings([reading("ph", commit * 9990 + n) for n in range(9990)])
            assert counted(path, "rows") == (59_940 if commit == 5 else 0)


def test_what_another_connection_keeps_does_not_end_the_waiting(tmp_path: Path) -> None:
    """Notices and requests are kept by others, all the time; where the series end is still known."""
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store, EmbeddedStore(path) as other:
        for n in range(1, 10):
            store.add_readings([reading("ph", n)])
            other.set_meta("seen", str(n))
        assert counted(path, "rows") == 0
        assert store.add_readings([reading("ph", 9)]) == 0
        assert len(list(store.readings("hallway", "ph"))) == counted(path, "rows") == 9


def test_a_key_that_was_taken_after_all_does_not_stop_the_store(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """It can't be, but a store that can't be written any more would be worse than one reading."""
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.add_readings([reading("ph", n) for n in range(5)])
        store._newest_ms.update(dict.fromkeys(store._newest_ms, 0))
        store.add_readings([reading("ph", n, 6.0) for n in range(4, 7)])
        with store.transaction():
            store._sort_in()
        assert [r.value for r in store.readings("hallway", "ph")] == [7.0] * 5 + [6.0] * 2
        assert store.add_readings([reading("ph", 8)]) == 1
    assert "others have their keys: 1;" in caplog.text


def test_a_reading_without_flag_or_stamp_is_refused(tmp_path: Path) -> None:
    """A line without them would only say where its row is, and there is none."""
    with EmbeddedStore(tmp_path / "a.db") as store:
        for broken in ({"flag": None}, {"stamp": None}):
            with pytest.raises(StoreError):
                store.add_readings([msgspec.structs.replace(reading("ph", 1), **broken)])
        assert store.add_readings([reading("ph", 1)]) == 1


def test_after_an_import_nothing_lies_unsorted(tmp_path: Path) -> None:
    """No service need run behind it that would sort in by and by."""
    path = tmp_path / "a.db"
    file = tmp_path / "in.csv"
    file.write_text("time,tank,quantity,value\n2026-03-01T00:00:00Z,hallway,ph,7.0\n")
    with EmbeddedStore(path) as store:
        assert import_csv(store, file) == 1
        assert counted(path, "rows") == 1
