"""What the embedded store promises when the process, the power or the disk gives out."""

from __future__ import annotations

import importlib.util
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from rushlight.collector.errors import StoreError, StoreFull, StoreNewer
from rushlight.collector.readings import Reading
from rushlight.collector.store import codec, schema
from rushlight.collector.store.columns import from_rows
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.store.powercut import STORE, STORE_LOG, SYNC, Operation, left_by_a_cut, read_operations

HERE = Path(__file__).parent
ROOT = HERE.parents[2]
WRITER = HERE / "store_writer.py"
_spec = importlib.util.spec_from_file_location("store_writer", WRITER)
assert _spec and _spec.loader
writer: Any = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(writer)


def start(
    path: Path, first: int, last: int, synchronous: str = "FULL", pages: int = 50, **environment: str
) -> Any:
    return subprocess.Popen(
        [sys.executable, str(WRITER), str(path), str(first), str(last), synchronous, str(pages)],
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(ROOT / "src")} | environment,
    )


def verify(store: EmbeddedStore, acknowledged: int) -> str:
    """Empty, or what is wrong: each acknowledged batch is there exactly once, no other batch by half."""
    faults = store.check()
    if faults:
        return f"damaged: {faults}"
    got = list(store.readings("hallway", "temperature"))
    batches, rest = divmod(len(got), writer.BATCH)
    if rest:
        return f"half a batch: {len(got)} readings"
    if batches <= acknowledged:
        return f"batch {acknowledged} was acknowledged, there are {batches}"
    if got != [r for number in range(batches) for r in writer.batch(number)]:
        return "readings differ from what was written"
    state = store.load_state("writer", "hallway")
    if (int(state[0]) if state else -1) != batches - 1:
        return f"state {state} does not fit {batches} batches"
    if len(store.pending_notices()) != batches:
        return f"{len(store.pending_notices())} notices for {batches} batches"
    return ""


def test_nothing_acknowledged_is_lost_to_kill_9(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    random.seed(20260301)
    acknowledged = -1
    for _ in range(8):
        first = max(0, acknowledged - 2)  # some batches come again, as from a broker
        process = start(path, first, 10**6)
        for _ in range(random.randint(8, 20)):  # so far at least, however slow the machine
            acknowledged = max(acknowledged, int(process.stdout.readline()))
        time.sleep(random.uniform(0, 0.03))
        process.kill()
        said = process.communicate()[0].split()
        acknowledged = max([acknowledged, *map(int, said)])
        with EmbeddedStore(path, read_only=True) as store:
            assert verify(store, acknowledged) == ""
    with EmbeddedStore(path) as store:
        assert store._one("SELECT count(*) FROM chunks")[0] > 3  # kills fell among compactions, too


@pytest.fixture(scope="module")
def recorder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("cc") is None:
        pytest.fail("the power-cut test needs a C compiler: apt-get install gcc libc6-dev")
    library = tmp_path_factory.mktemp("powercut") / "powercut.so"
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", library, HERE / "powercut.c", "-ldl"], check=True)
    return library


def record(recorder: Path, folder: Path, synchronous: str) -> tuple[bytes, list[Operation]]:
    """The store before, and all that a writing process did to its files, in order."""
    path, log = folder / "a.db", folder / "operations"
    EmbeddedStore(path).close()
    before = path.read_bytes()
    process = start(path, 0, 70, synchronous, 20, LD_PRELOAD=str(recorder), POWERCUT_LOG=str(log))
    process.communicate()
    assert process.returncode == 0
    return before, read_operations(log)


def last_acknowledged(operations: list[Operation]) -> int:
    """The last batch that the process told of on its standard output; -1 before the first."""
    return max([-1, *(int(word) for op in operations if op.file == 2 for word in op.data.split())])


def faults_after_cuts(recorder: Path, folder: Path, synchronous: str, cuts: int) -> list[str]:
    before, operations = record(recorder, folder, synchronous)
    assert sum(op.kind == SYNC and op.file == STORE for op in operations) > 3  # checkpoints happened
    chance = random.Random(11)
    faults = []
    for number in range(cuts):
        path = folder / f"cut{number}.db"
        done = operations[: chance.randrange(len(operations))]
        images = left_by_a_cut(done, chance, before)
        path.write_bytes(images[STORE])
        Path(f"{path}-wal").write_bytes(images[STORE_LOG])
        try:
            with EmbeddedStore(path) as store:
                faults.append(verify(store, last_acknowledged(done)))
        except StoreError as error:
            faults.append(str(error))
    return [fault for fault in faults if fault]


def test_nothing_acknowledged_is_lost_to_a_power_cut(recorder: Path, tmp_path: Path) -> None:
    assert faults_after_cuts(recorder, tmp_path, "FULL", 60) == []


def test_the_power_cut_test_sees_what_a_weaker_mode_loses(recorder: Path, tmp_path: Path) -> None:
    """SQLite's manual (pragma synchronous): in WAL, NORMAL may roll back commits at a power cut."""
    faults = faults_after_cuts(recorder, tmp_path, "NORMAL", 30)
    assert faults
    assert all("was acknowledged" in fault for fault in faults)


def test_others_read_while_the_service_writes(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    process = start(path, 0, 10**6)
    seen = -1
    try:
        process.stdout.readline()
        with EmbeddedStore(path, read_only=True) as store:
            looks, end = 0, time.monotonic() + 30  # on a busy machine the writer may have to wait its turn
            while looks < 15 or (seen <= writer.BATCH and time.monotonic() < end):
                batches = len(list(store.readings("hallway", "temperature")))
                assert batches % writer.BATCH == 0
                assert len(store.frame("hallway", "temperature")) >= batches
                assert batches >= seen
                seen = batches
                looks += 1
    finally:
        process.kill()
        process.communicate()
    assert seen > writer.BATCH


def test_the_command_line_asks_while_the_service_writes(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    process = start(path, 0, 10**6, "FULL", 10)
    try:
        said = [process.stdout.readline()]
        for number in range(15):
            with EmbeddedStore(path) as command:
                command.add_request("acknowledge", "hallway", "co2-absent", "", {}, "ana", number)
    finally:
        process.kill()
        said += process.communicate()[0].split()
    with EmbeddedStore(path) as store:
        assert [request.created_ms for request in store.open_requests()] == list(range(15))
        assert verify(store, int(said[-1])) == ""


def test_a_full_file_loses_nothing_and_goes_on_when_there_is_room(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        pages = store._one("PRAGMA page_count")[0]
        store._run(f"PRAGMA max_page_count = {pages + 10}")
        fill_until_full(store)
        store._run("PRAGMA max_page_count = 1000000")
        assert store.add_readings(writer.batch(10**4)) == writer.BATCH
        assert store.check() == []


def test_a_full_disk_loses_nothing_and_goes_on_when_there_is_room(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("mounting a small file system needs root; the test above runs for all")
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)], check=True)
    try:
        ballast = disk / "ballast"
        ballast.write_bytes(bytes(200_000))
        with EmbeddedStore(disk / "a.db") as store:
            fill_until_full(store)
            ballast.unlink()
            assert store.add_readings(writer.batch(10**4)) == writer.BATCH
            assert store.check() == []
            with pytest.raises(StoreFull, match="room"):
                (disk / "rest").write_bytes(bytes(disk_free(disk)))
                store.backup(disk / "copy.db")
            assert not (disk / "copy.db.part").exists()
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def disk_free(folder: Path) -> int:
    status = os.statvfs(folder)
    return status.f_bavail * status.f_frsize


def fill_until_full(store: EmbeddedStore) -> None:
    """Batches with an event each, until there is no room: then the last batch is there not at all."""
    number = 0
    with pytest.raises(StoreFull, match="room"):
        for number in range(5000):
            with store.transaction():
                store.set_meta("last", str(number))
                store.add_readings(writer.batch(number))
    assert store.get_meta("last") == str(number - 1)
    got = list(store.readings("hallway", "temperature"))
    assert got == [r for n in range(number) for r in writer.batch(n)]


def test_an_older_file_is_brought_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with sqlite3.connect(path) as db:
        for statement in schema.MIGRATIONS[0]:
            db.execute(statement)
        db.execute("INSERT INTO series VALUES (7, 'hallway', 'ph')")
        db.execute("INSERT INTO readings VALUES (41, 7, 1000, 6.8, 1, 3, 0)")
        db.execute("PRAGMA user_version = 1")
    db.close()
    with pytest.raises(StoreError, match="older version"):
        EmbeddedStore(path, read_only=True)
    with EmbeddedStore(path) as store:
        assert list(store.arrivals_after(40)) == [(41, Reading("hallway", "ph", 1000, 6.8, 1, 3, 0))]
        store.add_readings([Reading("hallway", "ph", 2000, 6.9)])
        assert store.position() == 42
        assert store.compact(10 * 86_400_000).readings == 2
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (schema.VERSION,)
    db.close()


def test_rows_in_order_of_arrival_become_rows_by_series(tmp_path: Path) -> None:
    """From schema 2: packed days, rows, saved states and the last position given are as they were."""
    path, ms = tmp_path / "a.db", 20_000 * 86_400_000
    rows = [(n, 1 + n % 2, ms + n // 2 * 1000, n / 10, 1, n, 0) for n in range(51, 3000)][::-1]
    with sqlite3.connect(path) as db:
        for statement in (s for version in schema.MIGRATIONS[:2] for s in version):
            db.execute(statement)
        db.executemany("INSERT INTO series VALUES (?, 'hallway', ?)", [(1, "ph"), (2, "light")])
        db.executemany("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        db.execute(
            "UPDATE sqlite_sequence SET seq = 4000 WHERE name = 'readings'"
        )  # the last ones are packed
        db.execute("INSERT INTO meta VALUES ('compacted-position', '50')")
        db.execute("INSERT INTO states VALUES ('analysis', 'hallway', x'00', 60)")
        packed = codec.encode(from_rows([(ms - 86_400_000, 7.5, 1, 0, 0)]))
        db.execute("INSERT INTO chunks VALUES (1, 1, 19999, 1, ?)", (packed,))
        db.execute("PRAGMA user_version = 2")
    db.close()
    with EmbeddedStore(path) as store:
        assert store.check() == []
        want = [
            (n, Reading("hallway", ("ph", "light")[series - 1], *rest)) for n, series, *rest in rows[::-1]
        ]
        assert list(store.arrivals_after(60)) == want[10:]
        old = Reading("hallway", "ph", ms - 86_400_000, 7.5, 1, 0)
        assert list(store.arrivals_after(0)) == [(0, old), *want[0:]]
        assert list(store.readings("hallway", "ph")) == [old] + [r for _, r in want if r.quantity == "ph"]
        assert store.add_readings([r for _, r in want] + [old]) == 0
        assert store.position() == 4000
        assert store.add_readings([Reading("hallway", "ph", ms, 6.9, 1, 9999)]) == 1
        assert store.position() > 4000
        assert store.compact(ms + 10 * 86_400_000).readings == 10  # up to where the state needs them
        assert [r for _, r in store.arrivals_after(60)][:-1] == [r for _, r in want[10:]]


def test_a_migration_that_fails_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.db"
    EmbeddedStore(path).close()
    monkeypatch.setattr(schema, "VERSION", schema.VERSION + 1)
    broken = (*schema.MIGRATIONS, ("CREATE TABLE half (a)", "CREATE TABLE series (a)"))
    monkeypatch.setattr(schema, "MIGRATIONS", broken)
    with pytest.raises(StoreError, match="series"):
        EmbeddedStore(path)
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (schema.VERSION - 1,)
        assert db.execute("SELECT name FROM sqlite_master WHERE name = 'half'").fetchall() == []
    db.close()


def test_a_newer_file_is_left_untouched(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE future (a)")
        db.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    db.close()
    before = path.read_bytes()
    for read_only in (False, True):
        with pytest.raises(StoreNewer, match="newer version"):
            EmbeddedStore(path, read_only=read_only)
    assert path.read_bytes() == before
