"""The store's files: for their owner alone, and noticed where they are taken away from under a connection."""

from __future__ import annotations

import logging
import os
import stat
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from rushlight.collector.errors import StoreMoved
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock


def readings(number: int) -> list[Reading]:
    return [Reading("porch", "temperature", 1_772_330_400_000 + n, 24.0, 1, n) for n in range(number)]


def modes(path: Path) -> dict[str, int]:
    return {file.name: stat.S_IMODE(file.stat().st_mode) for file in path.parent.glob(f"{path.name}*")}


@pytest.fixture
def careless() -> object:
    """A umask under which other programs make files that all may read and write."""
    before = os.umask(0)
    yield before
    os.umask(before)


def test_all_files_are_their_owners_alone(tmp_path: Path, careless: object) -> None:
    path = tmp_path / "rushlight.db"
    with ServiceLock(path), EmbeddedStore(path) as store:
        store.add_readings(readings(3))
        store.backup(tmp_path / "rushlight.db.copy")
        found = modes(path)
    assert set(found) == {f"rushlight.db{end}" for end in ("", "-wal", "-shm", "-lock", "-service", ".copy")}
    assert set(found.values()) == {0o600}


def test_files_of_an_older_version_are_tightened(tmp_path: Path, careless: object) -> None:
    path = tmp_path / "rushlight.db"
    EmbeddedStore(path).close()
    Path(f"{path}-service").touch()
    for file in tmp_path.iterdir():
        file.chmod(0o644)
    with EmbeddedStore(path) as store:
        store.add_readings(readings(1))
        assert set(modes(path).values()) == {0o600}


def test_a_file_that_cannot_be_tightened_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "rushlight.db"
    EmbeddedStore(path).close()
    path.chmod(0o644)

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "chmod", refused)
    with EmbeddedStore(path) as store:
        assert store.add_readings(readings(1)) == 1
    assert "mode 644" in caplog.text and "chmod 600" in caplog.text


@pytest.mark.parametrize("suffix", ["", "-wal", "-shm"])
@pytest.mark.parametrize("replaced", [False, True])
def test_a_file_taken_away_is_noticed_within_a_commit(tmp_path: Path, suffix: str, replaced: bool) -> None:
    path = tmp_path / "rushlight.db"
    store = EmbeddedStore(path)
    store.add_readings(readings(1))
    file, away = Path(f"{path}{suffix}"), tmp_path / "away"
    file.rename(away)
    if replaced:
        file.write_bytes(away.read_bytes())
    with pytest.raises(StoreMoved, match=rf"rushlight.db{suffix}: was (removed|replaced)"):
        store.add_readings(readings(2))
    store.close()  # and SQLite may not remove what lies there now
    assert file.exists() == replaced


def test_taken_away_in_the_middle_of_a_transaction(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    store = EmbeddedStore(path)
    with pytest.raises(StoreMoved), store.transaction():
        store.add_readings(readings(1))
        path.unlink()
    store.close()


def test_moved_back_it_goes_on_with_all_it_had(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    with EmbeddedStore(path) as store:
        store.add_readings(readings(1))
        path.rename(tmp_path / "away")
        with pytest.raises(StoreMoved):
            store.add_readings(readings(2))
        (tmp_path / "away").rename(path)
        assert store.add_readings(readings(3)) == 2
    with closing(EmbeddedStore(path)) as store:
        assert store.check() == [] and store.position() >= 3


def test_the_log_of_the_file_before_spoils_no_other(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path, other = tmp_path / "rushlight.db", tmp_path / "other.db"
    with EmbeddedStore(other) as store:
        store.set_meta("whose", "another")
    store = EmbeddedStore(path)
    store.set_meta("whose", "the first")
    other.replace(path)  # a copy put in the place of the running store
    with pytest.raises(StoreMoved):
        store.set_meta("whose", "nobody's")
    assert "is now" in caplog.text and Path(f"{path}-before-wal").exists()
    with EmbeddedStore(path) as there:
        assert there.get_meta("whose") == "another" and there.check() == []
    store.close()
    with EmbeddedStore(path) as there:
        assert there.get_meta("whose") == "another" and there.check() == []


def test_the_lock_between_writers_holds_where_its_file_was_removed(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    with EmbeddedStore(path) as store, EmbeddedStore(path, busy_ms=50) as other:
        Path(f"{path}-lock").unlink()
        with store.transaction():
            store.add_readings(readings(1))
            assert Path(f"{path}-lock").exists()
            with pytest.raises(Exception, match="another process has been writing"):
                other.add_readings(readings(2))
        assert other.add_readings(readings(2)) == 1


def test_the_services_lock_is_taken_again_or_lost(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "rushlight.db"
    caplog.set_level(logging.WARNING)
    first, second = ServiceLock(path), ServiceLock(path)
    assert first.try_acquire() and first.keep()
    Path(f"{path}-service").unlink()
    assert first.keep() and "locked again" in caplog.text
    assert not second.try_acquire() and second.running() == os.getpid()
    Path(f"{path}-service").unlink()
    assert second.try_acquire()
    assert not first.keep() and not first.keep() and second.keep()
    first.release()
    assert second.keep()
    second.release()


def test_a_folder_that_is_gone_takes_no_lock_away(tmp_path: Path) -> None:
    folder = tmp_path / "gone"
    folder.mkdir()
    with ServiceLock(folder / "rushlight.db") as lock:
        Path(folder / "rushlight.db-service").unlink()
        folder.rmdir()
        assert lock.keep() and lock.keep()


def test_a_second_connection_lets_go_of_no_lock_of_the_first(tmp_path: Path) -> None:
    """Else another process that closes the store takes itself for the last one and removes its log.

    Closing any descriptor of a file ends all POSIX locks of the process on it (POSIX.1-2017, fcntl; SQLite,
    "How To Corrupt An SQLite Database File", section 2.2).
    """
    path = tmp_path / "rushlight.db"
    with EmbeddedStore(path) as store:
        store.set_meta("first", "1")
        with EmbeddedStore(path) as second:
            second.set_meta("second", "2")
        visit = f"from rushlight.collector.store.embedded import EmbeddedStore as E; E({str(path)!r}).close()"
        subprocess.run([sys.executable, "-c", visit], check=True)
        store.set_meta("third", "3")  # raises StoreMoved where the log is gone
        assert Path(f"{path}-wal").exists()
