"""The store's transactions and locks at the places where a small fault would break them unseen."""

from __future__ import annotations

import fcntl
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rushlight.collector.errors import StoreError, StoreMoved, StoreNewer
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.schema import VERSION

BUSY_MS = 200


@contextmanager
def another_process_writes(path: Path) -> Iterator[None]:
    """What another process holds while it writes: the lock beside the store, not the database's own."""
    file = os.open(f"{path}-lock", os.O_RDWR)
    try:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield
    finally:
        os.close(file)


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def written(path: Path, name: str) -> str | None:
    """A value as another process finds it on the disk."""
    with sqlite3.connect(path) as db:
        row = db.execute("SELECT value FROM meta WHERE key = ?", (name,)).fetchone()
    db.close()
    return None if row is None else str(row[0])


def test_nothing_is_written_or_closed_while_another_process_writes(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    store = EmbeddedStore(path, busy_ms=BUSY_MS)
    store.set_meta("a", "1")
    with another_process_writes(path):
        with pytest.raises(StoreError, match="another process has been writing"):
            store.set_meta("a", "2")
        with pytest.raises(StoreError, match="another process has been writing"), store.transaction():
            pytest.fail("inside a transaction although another process writes")
        with pytest.raises(StoreError, match="another process has been writing"):
            EmbeddedStore(path, busy_ms=BUSY_MS)
    assert store.get_meta("a") == "1"
    store.set_meta("a", "3")  # and it goes on as if nothing had been
    assert written(path, "a") == "3"
    store.close()
    patient = EmbeddedStore(path)
    closing = threading.Thread(target=patient.close)
    with another_process_writes(path):
        closing.start()
        closing.join(0.2)
        assert closing.is_alive()  # the last to close checkpoints: it waits for its turn
    closing.join(10)
    assert not closing.is_alive()


def test_a_transaction_lets_go_of_the_lock_however_it_ends(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path, busy_ms=BUSY_MS) as store, EmbeddedStore(path, busy_ms=BUSY_MS) as other:
        with pytest.raises(ZeroDivisionError), store.transaction():
            raise ZeroDivisionError
        other.set_meta("a", "1")
        with store.transaction():
            store.set_meta("a", "2")
            with pytest.raises(StoreError):
                other.set_meta("a", "3")
        other.set_meta("b", "4")
        assert (store.get_meta("a"), store.get_meta("b")) == ("2", "4")


def test_inner_transactions_are_part_of_the_outer_one(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        with store.transaction():
            with store.transaction():
                store.set_meta("a", "1")
                with store.transaction():
                    store.set_meta("b", "1")
            assert written(path, "a") is None  # nothing before the outer one ends
            store.set_meta("c", "1")
            assert written(path, "b") is None
        assert [written(path, name) for name in "abc"] == ["1"] * 3
        with pytest.raises(StoreError, match="all undone"), store.transaction():
            store.set_meta("a", "2")
            with pytest.raises(ZeroDivisionError), store.transaction():
                raise ZeroDivisionError
        assert written(path, "a") == "1"
        store.set_meta("a", "3")  # a failure is over with its transaction
        assert written(path, "a") == "3"


def test_after_a_failed_write_no_other_of_its_transaction_is_made(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        with pytest.raises(StoreError), store.transaction():
            with pytest.raises(StoreError):
                store._run("INSERT INTO nowhere VALUES (1)")
            with pytest.raises(StoreError, match="start it again"):
                store.set_meta("a", "1")
            with pytest.raises(StoreError, match="start it again"):
                store.add_readings([Reading("hallway", "ph", 1000, 6.8, 1, 1)])
        assert written(path, "a") is None
        assert store.add_readings([Reading("hallway", "ph", 1000, 6.8, 1, 1)]) == 1
        assert [r.seq for r in store.readings("hallway", "ph")] == [1]


def test_readings_that_cannot_be_written_undo_the_transaction_also_where_that_is_caught(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        with pytest.raises(StoreError, match="all undone"), store.transaction():
            store.set_meta("a", "1")
            with pytest.raises(StoreError):  # SQLite's integers have 64 bits
                store._run_many("INSERT INTO meta VALUES (?, ?)", [("b", 1 << 70)])
        assert written(path, "a") is None


def test_what_was_undone_is_not_remembered(tmp_path: Path) -> None:
    """A series that was made in a transaction that failed has no number afterwards."""
    with EmbeddedStore(tmp_path / "a.db") as store:
        with pytest.raises(ZeroDivisionError), store.transaction():
            store.add_readings([Reading("hallway", "ph", 1000, 6.8, 1, 1)])
            raise ZeroDivisionError
        assert store.position() == 0
        store.add_readings([Reading("shed", "light", 1000, 5.0, 1, 1)])
        store.add_readings([Reading("hallway", "ph", 2000, 6.9, 1, 2)])
        assert [r.value for r in store.readings("hallway", "ph")] == [6.9]
        assert [r.value for r in store.readings("shed", "light")] == [5.0]


def test_opening_and_closing_leaves_nothing_open(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    before = open_files()
    for _ in range(3):
        store = EmbeddedStore(path)
        store.set_meta("a", "1")
        store.close()
        store.close()  # harmless
        EmbeddedStore(path, read_only=True).close()
    (tmp_path / "no.db").write_text("this is no store, however long one looks at it" * 100)
    for _ in range(3):
        with pytest.raises(StoreError):
            EmbeddedStore(tmp_path / "no.db")
    with sqlite3.connect(tmp_path / "newer.db") as db:
        db.execute(f"PRAGMA user_version = {VERSION + 1}")
    db.close()
    for _ in range(3):
        with pytest.raises(StoreNewer):
            EmbeddedStore(tmp_path / "newer.db")
    assert open_files() == before
    with EmbeddedStore(path, read_only=True) as reader:
        with pytest.raises(StoreError, match="reading only"):
            reader.set_meta("a", "2")
        assert reader.get_meta("a") == "1"


def test_threads_of_one_store_take_turns(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    inside, seen = threading.Event(), []
    with EmbeddedStore(path) as store:

        def second() -> None:
            assert inside.wait(10)
            store.set_meta("b", "1")
            seen.append("second")

        thread = threading.Thread(target=second)
        thread.start()
        with store.transaction():
            store.set_meta("a", "1")
            inside.set()
            thread.join(0.2)
            seen.append("first")
        thread.join(10)
        assert seen == ["first", "second"]
        assert written(path, "b") == "1"


def test_a_commit_that_fails_is_undone(tmp_path: Path) -> None:
    """A broken reference shows at the commit only: sqlite.org/foreignkeys.html, section 4.2, from memory."""
    path = tmp_path / "a.db"
    store = EmbeddedStore(path, busy_ms=BUSY_MS)
    store._run("PRAGMA foreign_keys = ON")
    store._run("CREATE TABLE one (id INTEGER PRIMARY KEY)")
    store._run("CREATE TABLE two (id INTEGER REFERENCES one (id) DEFERRABLE INITIALLY DEFERRED)")
    with pytest.raises(StoreError, match="FOREIGN KEY"), store.transaction():
        store.set_meta("a", "1")
        store._run("INSERT INTO two VALUES (7)")
    assert store.get_meta("a") is None
    store.set_meta("a", "2")
    assert written(path, "a") == "2"
    store.close()


def test_a_file_taken_away_while_it_commits_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    store = EmbeddedStore(path, busy_ms=BUSY_MS)

    def take_away(statement: str) -> None:
        if statement == "COMMIT":
            path.rename(tmp_path / "elsewhere.db")

    store._db.set_trace_callback(take_away)
    with pytest.raises(StoreMoved):
        store.set_meta("a", "1")
    store._db.set_trace_callback(None)
    (tmp_path / "elsewhere.db").rename(path)
    store.set_meta("a", "2")
    assert written(path, "a") == "2"
    store.close()
