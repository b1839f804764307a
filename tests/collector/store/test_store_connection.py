"""The store's connection, its locks and its copies, where a small fault would show only once in a while."""

from __future__ import annotations

import errno
import gc
import os
import sqlite3
import stat
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from rushlight.collector.errors import StoreError, StoreFull, StoreMoved
from rushlight.collector.readings import Reading
from rushlight.collector.store import database, plain_file, service_lock
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.plain_file import store_error
from rushlight.collector.store.service_lock import ServiceLock
from tests.collector.store.test_store_safety import another_process_writes, open_files, written


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "rushlight.db"


@pytest.fixture
def store(path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(path, busy_ms=2000) as made:
        yield made


def beside(work: Callable[[], object]) -> threading.Thread:
    """On another thread."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    return thread


class Failing:
    """A connection on which some statements fail, as on a disk that does."""

    def __init__(self, real: sqlite3.Connection, *statements: str) -> None:
        self._real = real
        self._statements = statements

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)

    def execute(self, sql: str, *args: Any) -> Any:
        if sql in self._statements:
            raise sqlite3.OperationalError(f"disk I/O error at {sql}")
        return self._real.execute(sql, *args)


# -- opening -------------------------------------------------------------------------------------------


def test_the_connection_is_set_as_was_thought_about(store: EmbeddedStore) -> None:
    """sqlite.org/pragma.html. FULL is 2; a log that stays large is read at each start (common practice)."""
    names = ("journal_mode", "synchronous", "journal_size_limit", "wal_autocheckpoint", "cache_size")
    found = [store._db.execute(f"PRAGMA {name}").fetchone()[0] for name in names]
    assert found == ["wal", 2, 16 * 1024 * 1024, 4000, -16 * 1024]
    with EmbeddedStore(store.path, synchronous="NORMAL") as other:
        assert other._db.execute("PRAGMA synchronous").fetchone() == (1,)


def test_a_file_replaced_before_anything_was_written_is_noticed(path: Path, tmp_path: Path) -> None:
    EmbeddedStore(tmp_path / "other.db").close()
    store = EmbeddedStore(path)
    (tmp_path / "other.db").replace(path)
    with pytest.raises(StoreMoved, match="was replaced"):
        store.set_meta("a", "1")
    store.close()


def test_a_reader_may_be_asked_from_any_thread_and_closes(store: EmbeddedStore, path: Path) -> None:
    store.set_meta("a", "1")
    reader = EmbeddedStore(path, read_only=True)
    found: list[str | None] = []
    beside(lambda: found.append(reader.get_meta("a"))).join(10)
    assert found == ["1"]
    beside(lambda: store.set_meta("b", "1")).join(10)
    assert written(path, "b") == "1"
    reader.close()
    reader.close()  # harmless
    with pytest.raises(StoreError, match="closed"):
        reader.get_meta("a")


def test_closed_twice_is_closed(path: Path) -> None:
    store = EmbeddedStore(path)
    store.close()
    before = open_files()
    with path.open("rb"):  # takes the number that has become free
        store.close()
        assert open_files() == before + 1
    with pytest.raises(StoreError, match="closed"):
        store.get_meta("a")


# -- locks ---------------------------------------------------------------------------------------------


def test_a_lock_file_that_was_removed_leaves_nothing_open(store: EmbeddedStore, path: Path) -> None:
    before = open_files()
    for _ in range(3):
        Path(f"{path}-lock").unlink()
        store.set_meta("a", "1")
    assert open_files() == before


def test_who_waits_for_another_process_waits_in_steps(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else it would take a whole processor from the one that it waits for."""
    with EmbeddedStore(path, busy_ms=100) as store:
        slept: list[float] = []
        sleep = time.sleep
        monkeypatch.setattr(database.time, "sleep", lambda s: slept.append(s) or sleep(s))
        with another_process_writes(path), pytest.raises(StoreError, match=r"has been writing for 0\.1 s"):
            store.set_meta("a", "1")
        assert slept and max(slept) < 0.05


def test_another_thread_sees_and_closes_nothing_of_an_open_transaction(
    store: EmbeddedStore, path: Path
) -> None:
    found: list[str | None] = []
    with store.transaction():
        store.set_meta("a", "1")
        reading = beside(lambda: found.append(store.get_meta("a")))
        closing = beside(store.close)
        for thread in (reading, closing):
            thread.join(0.1)
            assert thread.is_alive()
        assert found == []
        store.set_meta("b", "1")
    reading.join(10)
    closing.join(10)
    assert written(path, "b") == "1"


@pytest.mark.parametrize("ask", ["_all", "_run_many", "_run"])
def test_nobody_else_is_let_in_before_all_rows_are_there(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch, ask: str
) -> None:
    """An undo by another thread would break off what is being read."""
    free: list[bool] = []

    def look() -> None:
        def take() -> None:
            free.append(store._lock.acquire(blocking=False))
            if free[-1]:
                store._lock.release()

        beside(take).join(10)

    if ask == "_all":

        class Rows:
            def fetchall(self) -> list[Any]:
                look()
                return []

        monkeypatch.setattr(store, "_run", lambda *_: Rows())
        store._all("SELECT 1")
    elif ask == "_run":
        store._db.set_trace_callback(lambda _: look())
        store._run("SELECT 1")
        store._db.set_trace_callback(None)
    else:

        def rows() -> Iterator[tuple[str, str]]:
            look()
            yield "a", "1"

        assert store._run_many("INSERT INTO meta VALUES (?, ?)", rows()) == 1
    assert free == [False]


def test_several_reads_see_one_state_and_hold_other_threads_up(store: EmbeddedStore, path: Path) -> None:
    store.set_meta("a", "1")
    with EmbeddedStore(path) as other:
        with store._snapshot():
            assert store.get_meta("a") == "1"
            other.set_meta("a", "2")
            with store._snapshot():  # one inside another joins it
                assert store.get_meta("a") == "1"
            writing = beside(lambda: store.set_meta("b", "1"))
            writing.join(0.1)
            assert writing.is_alive()
            assert store.get_meta("a") == "1"
        writing.join(10)
        assert store.get_meta("a") == "2" and other.get_meta("b") == "1"
        with store.transaction():
            with store._snapshot():
                store.set_meta("a", "3")
            store.set_meta("b", "3")
        assert (other.get_meta("a"), other.get_meta("b")) == ("3", "3")


def test_after_a_failed_write_no_many_others_are_made(store: EmbeddedStore) -> None:
    with pytest.raises(StoreError, match="all undone"), store.transaction():
        with pytest.raises(StoreError):
            store._run("INSERT INTO nowhere VALUES (1)")
        with pytest.raises(StoreError, match="start it again"):
            store._run_many("INSERT INTO meta VALUES (?, ?)", [("a", "1")])
    assert store.get_meta("a") is None


def test_what_another_process_has_added_is_noticed(store: EmbeddedStore, path: Path) -> None:
    """A series has its number from whoever wrote it first."""
    store.add_readings([Reading("hallway", "ph", 1000, 6.8, 1, 1)])
    with EmbeddedStore(path) as other:
        other.add_readings([Reading("shed", "ph", 1000, 7.0, 1, 1)])
    assert store.add_readings([Reading("shed", "ph", 2000, 7.1, 1, 2)]) == 1
    assert [r.value for r in store.readings("shed", "ph")] == [7.0, 7.1]
    assert store.check() == []


def test_a_packed_day_takes_no_reading_twice_after_a_restart_and_a_late_one_in_its_place(path: Path) -> None:
    day = 20_000 * 86_400_000
    times = [day, day + 60_000, day + 120_000, day + 86_399_999]
    old = [Reading("hallway", "ph", at, 6.8, 1, n) for n, at in enumerate(times)]
    with EmbeddedStore(path) as store:
        store.add_readings(old)
        assert store.compact(day + 10 * 86_400_000).readings == 4
    with EmbeddedStore(path) as store:  # as where a broker sends again what it had no answer to
        assert store.add_readings(old) == 0
        late = [
            Reading("hallway", "ph", at, 6.9, 1, seq) for at, seq in ((day + 60_000, 0), (day + 90_000, 9))
        ]
        assert store.add_readings(late) == 2
        found = [(r.time_ms - day, r.seq) for r in store.readings("hallway", "ph")]
        assert found == [(0, 0), (60_000, 0), (60_000, 1), (90_000, 9), (120_000, 2), (86_399_999, 3)]
        some = store.readings("hallway", "ph", day + 60_000, day + 120_000)
        assert [r.time_ms - day for r in some] == [60_000, 60_000, 90_000]


def test_an_undo_that_fails_hides_not_what_has_failed(store: EmbeddedStore) -> None:
    real = store._db
    store._db = Failing(real, "ROLLBACK")  # type: ignore[assignment]
    with pytest.raises(ZeroDivisionError), store.transaction():
        raise ZeroDivisionError
    real.execute("ROLLBACK")
    with store._snapshot():
        pass
    real.execute("ROLLBACK")
    store._db = Failing(real, "COMMIT")  # type: ignore[assignment]
    with pytest.raises(StoreError, match="disk I/O error at COMMIT"):
        store.set_meta("a", "1")
    store._db = real
    assert store.get_meta("a") is None
    store.set_meta("a", "2")
    assert store.get_meta("a") == "2"


def test_a_log_put_in_the_place_of_the_own_is_not_removed_by_forgetting_the_store(
    path: Path, tmp_path: Path
) -> None:
    """SQLite removes a log by its name when its connection ends: also where nobody has closed it."""
    store = EmbeddedStore(path)
    store.set_meta("a", "1")
    log = Path(f"{path}-wal")
    log.rename(tmp_path / "away")
    log.write_bytes(b"of another")
    store.close()
    del store
    gc.collect()
    assert log.read_bytes() == b"of another"
    (tmp_path / "away").replace(log)
    assert written(path, "a") == "1"


# -- errors --------------------------------------------------------------------------------------------


def error(code: int | None) -> sqlite3.Error:
    found = sqlite3.OperationalError("it said so")
    if code is not None:
        found.sqlite_errorcode = code
    return found


@pytest.mark.parametrize(
    ("code", "kind", "words"),
    [
        (sqlite3.SQLITE_FULL, StoreFull, "no room left"),
        (sqlite3.SQLITE_IOERR_SHMSIZE, StoreFull, "no room left"),
        (sqlite3.SQLITE_CORRUPT, StoreError, "is damaged or no store"),
        (sqlite3.SQLITE_CORRUPT_INDEX, StoreError, "is damaged or no store"),  # an extended code of it
        (sqlite3.SQLITE_NOTADB, StoreError, "is damaged or no store"),
        (sqlite3.SQLITE_BUSY, StoreError, "it said so"),
        (None, StoreError, "it said so"),
    ],
)
def test_what_sqlite_says_is_put_in_words(code: int | None, kind: type[StoreError], words: str) -> None:
    """sqlite.org/rescode.html: an extended code has its primary one in its lowest eight bits."""
    said = store_error(Path("a.db"), error(code))
    assert type(said) is kind and words in str(said)
    assert ("damaged" in str(said)) is ("damaged" in words)


# -- copies --------------------------------------------------------------------------------------------


def test_a_copy_is_one_whole_file_on_the_disk(
    store: EmbeddedStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.set_meta("a", "1")
    target, part = tmp_path / "copy.db", tmp_path / "copy.db.part"
    part.write_text("of a copy that was broken off")
    part.chmod(0o644)
    target.write_text("an older copy")
    steps: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def synced(file: int) -> None:
        assert os.fstat(file).st_ino == part.stat().st_ino
        with sqlite3.connect(f"file:{part}?mode=ro", uri=True) as db:
            assert db.execute("SELECT value FROM meta WHERE key = 'a'").fetchone() == ("1",)
        db.close()
        steps.append("synced")
        fsync(file)

    def replaced(self: Path, name: Path) -> Path:
        steps.append("put in place")
        return replace(self, name)

    monkeypatch.setattr(plain_file.os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", replaced)
    before = open_files()
    store.backup(target)
    assert steps == ["synced", "put in place"]
    assert open_files() == before
    assert sorted(file.name for file in tmp_path.glob("copy*")) == ["copy.db"]
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    with sqlite3.connect(target) as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert db.execute("SELECT value FROM meta WHERE key = 'a'").fetchone() == ("1",)
    db.close()


@pytest.mark.parametrize(
    ("failure", "kind", "words"),
    [
        (error(sqlite3.SQLITE_FULL), StoreFull, "no room for the copy"),
        (error(sqlite3.SQLITE_IOERR), StoreError, "can't be written"),
        (OSError(errno.EIO, "it said so"), StoreError, "can't be written"),
    ],
    ids=["full", "I/O", "system"],
)
def test_a_copy_that_fails_leaves_the_older_one_and_nothing_beside_it(
    store: EmbeddedStore,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    failure: Exception,
    kind: type[StoreError],
    words: str,
) -> None:
    target = tmp_path / "copy.db"
    target.write_text("an older copy")

    def fail(_: int) -> None:
        raise failure

    monkeypatch.setattr(plain_file.os, "fsync", fail)
    with pytest.raises(StoreError, match=words) as caught:
        store.backup(target)
    assert type(caught.value) is kind
    assert target.read_text() == "an older copy"
    assert [file.name for file in tmp_path.glob("copy*")] == ["copy.db"]


def test_a_copy_into_no_folder_says_so(store: EmbeddedStore, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"gone/copy.db: the copy can't be written .*check the folder"):
        store.backup(tmp_path / "gone" / "copy.db")
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="check the folder"):  # where not even removing is possible
        store.backup(tmp_path / "file" / "copy.db")


def test_a_copy_is_made_between_two_transactions(store: EmbeddedStore, tmp_path: Path) -> None:
    with store.transaction():
        store.set_meta("a", "1")
        copying = beside(lambda: store.backup(tmp_path / "copy.db"))
        copying.join(0.2)
        assert copying.is_alive()
    copying.join(10)
    assert written(tmp_path / "copy.db", "a") == "1"


# -- the service's lock --------------------------------------------------------------------------------


def test_a_full_disk_keeps_no_service_from_starting(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(service_lock.os, "write", full)
    with ServiceLock(path) as lock:
        assert lock.keep() and not ServiceLock(path).try_acquire()


def test_a_lock_whose_file_is_replaced_as_it_is_taken_is_taken_on_the_new_one(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = service_lock.fcntl.flock
    file = Path(f"{path}-service")
    times: list[int] = []

    def replacing(number: int, how: int) -> None:
        times.append(how)
        if len(times) == 1:
            file.unlink()
        real(number, how)

    before = open_files()
    monkeypatch.setattr(service_lock.fcntl, "flock", replacing)
    lock = ServiceLock(path)
    assert lock.try_acquire() and len(times) == 2
    assert open_files() == before + 1
    assert not ServiceLock(path).try_acquire()
    lock.release()
    assert open_files() == before


def test_a_lock_that_is_taken_again_or_lost_leaves_nothing_open(path: Path) -> None:
    before = open_files()
    first, second = ServiceLock(path), ServiceLock(path)
    assert not first.keep()  # it was never taken
    first.acquire()
    for _ in range(3):
        Path(f"{path}-service").unlink()
        assert first.keep()
    assert open_files() == before + 1
    Path(f"{path}-service").unlink()
    second.acquire()
    assert not first.keep()
    assert open_files() == before + 1
    first.release()
    assert open_files() == before + 1 and second.keep()
    second.release()
    assert open_files() == before


def test_a_new_store_can_give_room_back(tmp_path: Path) -> None:
    """sqlite.org/pragma.html#pragma_auto_vacuum: 2 is INCREMENTAL; it must be said first."""
    path = tmp_path / "rushlight.db"
    with EmbeddedStore(path):
        pass
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA auto_vacuum").fetchone() == (2,)
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
