"""A backup made while the service writes, and the same readings, alarms and settings after a restore."""

from __future__ import annotations

import threading
import zipfile
from contextlib import closing
from pathlib import Path

import pytest

from rushlight.analysis.commands.main import main
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

SETTINGS = """
[tanks.cellar]
volume_litres = 60
timezone = "Europe/Lisbon"
[tanks.cellar.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""
T0 = 1_772_330_400_000


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rushlight.toml").write_text(SETTINGS)
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        write(store, 0, 2000)
    return tmp_path


def write(store: EmbeddedStore, begin: int, end: int) -> None:
    with store.transaction():
        store.add_readings(
            [
                Reading("cellar", "temperature", T0 + n * 10_000, 23 + n % 7 / 10, 1, n)
                for n in range(begin, end)
            ]
        )


def readings(path: Path) -> list[tuple[int, float | None]]:
    with EmbeddedStore(path, read_only=True) as store:
        return [(one.time_ms, one.value) for one in store.readings("cellar", "temperature")]


def test_a_backup_taken_while_the_service_writes_is_whole_and_comes_back(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stop = threading.Event()
    with EmbeddedStore(home / "rushlight.db") as store, ServiceLock(home / "rushlight.db"):

        def service() -> None:
            at = 2000
            while not stop.is_set():
                write(store, at, at + 50)
                at += 50

        writer = threading.Thread(target=service)
        writer.start()
        try:
            assert main(["backup", "away.zip"]) == 0
            # a running service is in the way of a restore, and nothing is changed
            assert main(["restore", "away.zip"]) == 1
        finally:
            stop.set()
            writer.join()
    assert "is running on this store" in capsys.readouterr().err
    before = readings(home / "rushlight.db")
    assert (home / "away.zip").stat().st_mode & 0o077 == 0
    # the disk dies: another machine, nothing but the backup
    for path in home.iterdir():
        if path.name != "away.zip":
            path.unlink()
    assert main(["restore", "away.zip"]) == 0
    after = readings(home / "rushlight.db")
    assert len(after) >= 2000 and after == before[: len(after)]
    assert (home / "rushlight.toml").read_text() == SETTINGS
    with closing(EmbeddedStore(home / "rushlight.db")) as store:
        write(store, 90_000, 90_010)  # and it goes on
    assert len(readings(home / "rushlight.db")) == len(after) + 10


def test_what_is_there_is_kept_beside(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["backup", "away.zip"]) == 0
    with EmbeddedStore(home / "rushlight.db") as store:
        write(store, 2000, 2500)
    (home / "rushlight.toml").write_text(SETTINGS + "# mine\n")
    assert main(["restore", "away.zip"]) == 0
    assert len(readings(home / "rushlight.db")) == 2000
    (aside,) = [p for p in home.glob("rushlight.db-before-*") if not p.name.endswith(("-wal", "-shm"))]
    assert len(readings(aside)) == 2500 and str(aside.name) in capsys.readouterr().out
    assert (home / "rushlight.toml").read_text().endswith("# mine\n")


@pytest.mark.parametrize("harm", ["cut", "changed", "other", "none"])
def test_a_damaged_backup_changes_nothing(home: Path, harm: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["backup", "away.zip"]) == 0
    whole = (home / "away.zip").read_bytes()
    if harm == "cut":
        (home / "away.zip").write_bytes(whole[: len(whole) // 2])
    elif harm == "changed":
        with zipfile.ZipFile("away.zip") as old:
            parts = {name: old.read(name) for name in old.namelist()}
        store = bytearray(parts["store.db"])
        store[-1000] ^= 1  # one bit
        parts["store.db"] = bytes(store)
        with zipfile.ZipFile("away.zip", "w") as new:
            for name, data in parts.items():
                new.writestr(name, data)
    elif harm == "other":
        with zipfile.ZipFile("away.zip", "w") as new:
            new.writestr("holiday.txt", "sun")
    status = main(["restore", "away.zip"])
    err = capsys.readouterr().err
    if harm == "none":  # the twin: undamaged it is taken
        assert status == 0
        return
    assert status == 1 and "away.zip" in err and "Traceback" not in err
    assert len(readings(home / "rushlight.db")) == 2000
    assert not list(home.glob("*.restored*")) and not list(home.glob("*-before-*"))


def test_a_backup_that_cant_be_written_leaves_the_one_before(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["backup", "nowhere/away.zip"]) == 1
    assert "nowhere" in capsys.readouterr().err
    assert main(["restore", "nowhere.zip"]) == 1
    assert "nowhere.zip" in capsys.readouterr().err
