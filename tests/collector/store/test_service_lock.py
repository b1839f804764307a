"""One service for one store: what holds the lock, what lets it go, and what it leaves behind."""

from __future__ import annotations

import fcntl
import os
import threading
from pathlib import Path

import pytest

from rushlight.collector.errors import StoreError
from rushlight.collector.store.service_lock import ServiceLock


def open_files() -> int:
    """How many file descriptors this process has (proc(5))."""
    return len(list(Path("/proc/self/fd").iterdir()))


def test_the_second_one_is_turned_away_and_the_first_one_s_number_stays(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    with ServiceLock(path) as first:
        before = open_files()
        for _ in range(3):
            assert ServiceLock(path).try_acquire() is False
        with pytest.raises(StoreError, match=rf"process {os.getpid()}\).*stop that one"):
            ServiceLock(path).acquire()
        assert first.holder() == os.getpid()
        assert ServiceLock(path).running() == os.getpid()
        assert open_files() == before
    assert ServiceLock(path).running() is None


def test_an_unknown_holder_is_not_named(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    with ServiceLock(path):
        Path(f"{path}-service").write_text("")
        with pytest.raises(StoreError, match="another rushlight service is running"):
            ServiceLock(path).acquire()


def test_the_number_is_the_holder_s_whatever_was_there(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    Path(f"{path}-service").write_text("999999999999\nand more\n")
    with ServiceLock(path) as lock:
        assert lock.holder() == os.getpid()
        assert Path(f"{path}-service").read_text() == f"{os.getpid()}\n"


def test_looking_whether_one_runs_leaves_nothing_open_and_nothing_locked(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    assert ServiceLock(path).running() is None  # no file yet, and none is made
    assert not Path(f"{path}-service").exists()
    with ServiceLock(path):
        pass
    before = open_files()
    for _ in range(3):
        assert ServiceLock(path).running() is None
    assert open_files() == before
    with ServiceLock(path):
        assert open_files() == before + 1
    assert open_files() == before


def test_a_glance_of_another_process_does_not_turn_a_service_away(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    with ServiceLock(path):
        pass
    glance = os.open(f"{path}-service", os.O_RDONLY)
    fcntl.flock(glance, fcntl.LOCK_SH)
    timer = threading.Timer(0.02, os.close, [glance])
    timer.start()
    lock = ServiceLock(path)
    lock.acquire()
    timer.join()
    assert lock.holder() == os.getpid()
    assert ServiceLock(path).try_acquire() is False
    lock.release()


def test_releasing_twice_closes_nothing_of_others(tmp_path: Path) -> None:
    lock = ServiceLock(tmp_path / "rushlight.db")
    lock.release()  # never held
    lock.acquire()
    lock.release()
    with (tmp_path / "other").open("w") as other:  # takes the number that has become free
        lock.release()
        other.write("still open")
        other.flush()
    assert ServiceLock(tmp_path / "rushlight.db").try_acquire()


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="check the folder"):
        ServiceLock(tmp_path / "gone" / "rushlight.db").acquire()
