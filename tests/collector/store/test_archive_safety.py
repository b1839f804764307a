"""A backup and its restore, at the places where a small fault would cost a store: order, rights, rests."""

from __future__ import annotations

import os
import random
import sqlite3
import stat
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.store.archive import read_archive, write_archive
from rushlight.collector.store.embedded import EmbeddedStore

NOW = 1_772_330_400_000
SETTINGS = "# the settings\n"


class Home:
    """A store with settings and a folder for backups."""

    def __init__(self, folder: Path) -> None:
        self.store, self.settings = folder / "rushlight.db", folder / "rushlight.toml"
        self.zip = folder / "away" / "away.zip"
        self.zip.parent.mkdir()
        self.settings.write_text(SETTINGS)
        self.write(self.store, 500)

    def write(self, path: Path, count: int) -> None:
        with EmbeddedStore(path) as store, store.transaction():
            store.add_readings([Reading("cellar", "ph", NOW + n * 10_000, 6.8, 1, n) for n in range(count)])

    def count(self, path: Path | None = None) -> int:
        with closing(EmbeddedStore(path or self.store)) as store:  # its log is gone when it is closed
            return len(list(store.readings("cellar", "ph")))

    def backup(self) -> None:
        with closing(EmbeddedStore(self.store)) as store:
            write_archive(store, self.settings, self.zip, NOW)

    def restore(self) -> list[Path]:
        return read_archive(self.zip, self.store, self.settings)[1]

    def left(self) -> list[str]:
        """Names beside the files that belong there."""
        wanted = {self.store.name, self.settings.name, self.zip.name, "away"}
        there = [*self.store.parent.iterdir(), *self.zip.parent.iterdir()]
        return sorted(path.name for path in there if path.name not in wanted and path.suffix != ".db-lock")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(tmp_path)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def failing(monkeypatch: pytest.MonkeyPatch, name: str, which: Callable[[Path], bool]) -> None:
    """A step of `Path` that the disk refuses for some paths."""
    real = getattr(Path, name)

    def refusing(path: Path, *arguments: Any, **more: Any) -> Any:
        if which(path):
            raise OSError(28, "No space left on device")
        return real(path, *arguments, **more)

    monkeypatch.setattr(Path, name, refusing)


def noted(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str, int]]:
    """Each file that is synced or put in its place, and how large it is then."""
    found: list[tuple[str, str, int]] = []
    sync, replace = os.fsync, Path.replace

    def syncing(number: int) -> None:
        name = Path(f"/proc/self/fd/{number}").readlink().name
        found.append(("sync", name, os.fstat(number).st_size))
        sync(number)

    def replacing(path: Path, target: Path) -> Path:
        found.append(("replace", path.name, path.stat().st_size))
        return replace(path, target)

    monkeypatch.setattr(os, "fsync", syncing)
    monkeypatch.setattr(Path, "replace", replacing)
    return found


def test_a_backup_is_on_the_disk_before_it_is_in_place(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    found = noted(monkeypatch)
    home.backup()
    size = home.zip.stat().st_size
    assert found[-2:] == [("sync", "away.zip.part", size), ("replace", "away.zip.part", size)]
    assert mode(home.zip) == 0o600 and home.left() == []


def test_a_backup_that_was_killed_is_in_the_way_of_none(home: Home) -> None:
    part = home.zip.with_name("away.zip.part")
    elsewhere = home.zip.with_name("precious")
    elsewhere.write_text("of somebody else")
    elsewhere.chmod(0o644)
    part.symlink_to(elsewhere)
    home.backup()
    assert elsewhere.read_text() == "of somebody else" and mode(home.zip) == 0o600
    assert not home.zip.is_symlink() and home.left() == ["precious"]


def test_a_backup_that_cannot_be_put_in_place_leaves_the_one_before_and_nothing_else(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    home.backup()
    before = home.zip.read_bytes()
    home.write(home.store, 600)
    with monkeypatch.context() as patch:
        failing(patch, "replace", lambda path: path.name == "away.zip.part")
        with pytest.raises(StoreError, match=r"can't be written \(No space left"):
            home.backup()
    assert home.zip.read_bytes() == before and home.left() == []
    home.backup()
    assert home.zip.read_bytes() != before


def test_a_place_that_is_none_is_said(home: Home) -> None:
    home.zip = home.settings / "away.zip"  # a file is no folder
    with pytest.raises(StoreError, match="can't be written"):
        home.backup()


def test_what_is_restored_is_on_the_disk_before_it_is_in_place(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    home.backup()
    with zipfile.ZipFile(home.zip) as packed:
        size = packed.getinfo("store.db").file_size
    home.settings.unlink()
    found = noted(monkeypatch)
    aside = home.restore()
    assert found[0] == ("sync", "rushlight.db.restored", size)
    assert [one[:2] for one in found if one[1].endswith(".restored")][1:] == [
        ("sync", "rushlight.toml.restored"),
        ("replace", "rushlight.db.restored"),
        ("replace", "rushlight.toml.restored"),
    ]
    assert ("sync", "rushlight.toml.restored", len(SETTINGS)) in found
    assert home.settings.read_text() == SETTINGS
    assert mode(home.settings) == mode(home.store) == 0o600
    assert [path.name for path in aside] == home.left() and home.count() == home.count(aside[0]) == 500


def test_what_is_in_the_way_is_kept_beside_with_its_log_each_time(home: Home) -> None:
    home.backup()
    assert len(home.restore()) == 1
    (kept,) = [name for name in home.left() if "-before-" in name]
    # killed with a log: what was committed is in that alone
    home.write(home.store, 700)
    log = Path(f"{home.store}-wal")
    log.write_bytes(b"log")
    aside = home.restore()  # in the same second, as a rule
    assert [path.name.partition("-before-")[0] for path in aside] == ["rushlight.db"] * 2
    assert aside[1].name == f"{aside[0].name}-wal" and aside[1].read_bytes() == b"log"
    assert kept in home.left() and len(home.left()) == 3
    aside[1].unlink()
    assert (home.count(aside[0]), home.count()) == (700, 500)


@pytest.mark.parametrize("place", ["rushlight.db.restored", "rushlight.db-wal", "settings"])
def test_a_restore_that_cannot_be_put_in_place_changes_nothing(
    home: Home, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    home.backup()
    home.write(home.store, 600)
    log = Path(f"{home.store}-wal")
    log.write_bytes(b"")
    if place == "settings":
        home.settings = home.settings.parent / "nowhere" / "rushlight.toml"
    else:
        home.settings.unlink()
    with monkeypatch.context() as patch:
        failing(patch, "rename" if place.endswith("wal") else "replace", lambda path: path.name == place)
        with pytest.raises(StoreError):
            home.restore()
    assert log.exists() and home.count() == 600 and not home.settings.exists()
    assert [name for name in home.left() if "before" in name or "restored" in name] == []
    home.settings = home.store.parent / "rushlight.toml"
    home.restore()
    assert home.count() == 500 and home.settings.read_text() == SETTINGS


def test_a_restore_that_was_killed_is_in_the_way_of_none(home: Home) -> None:
    """Its log above all: SQLite takes in any log that lies beside a file and is whole."""
    home.backup()
    new = Path(f"{home.store}.restored")
    other = home.store.with_name("other.db")
    with closing(sqlite3.connect(other)) as one:
        one.execute("PRAGMA journal_mode = WAL")
        one.execute("CREATE TABLE t (x)")
        one.executemany("INSERT INTO t VALUES (?)", [(f"{n}" * 50,) for n in range(90_000)])
        one.commit()
        Path(f"{new}-wal").write_bytes(Path(f"{other}-wal").read_bytes())
    new.write_bytes(b"x" * (home.store.stat().st_size + 1_000_000))  # longer than what comes
    new.chmod(0o644)
    Path(f"{home.settings}.restored").write_text("longer than the settings are, by far")
    home.settings.unlink()
    home.restore()
    assert home.count() == 500 and mode(home.store) == 0o600
    assert home.settings.read_text() == SETTINGS
    assert [name for name in home.left() if "restored" in name] == []


def test_what_cannot_be_cleared_away_costs_no_restore(home: Home) -> None:
    home.backup()
    (home.store.parent / "rushlight.toml.restored-wal").mkdir()
    home.restore()
    assert home.count() == 500


def test_a_backup_is_whole_or_refused_wherever_it_is_damaged(home: Home) -> None:
    home.backup()
    whole, chance = home.zip.read_bytes(), random.Random(7)
    ends = [*range(0, 80, 4), *range(len(whole) - 300, len(whole), 9)]
    for at in [*ends, *(chance.randrange(len(whole)) for _ in range(20))]:
        damaged = bytearray(whole)
        damaged[at] ^= 1 << chance.randrange(8)
        home.zip.write_bytes(damaged)
        before = set(home.left())
        try:
            home.restore()
        except StoreError:
            assert set(home.left()) == before
        assert home.count() == 500
