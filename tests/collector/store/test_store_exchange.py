"""Export and import: the same data back, read meanwhile by pandas and pyarrow on their own."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from rushlight.collector.errors import ReplayError, StoreError
from rushlight.collector.readings import QUANTITIES, STAMP_ARRIVAL, STAMP_DEVICE, TANK_NAME, Flag, Reading
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import export_csv, export_parquet, import_csv, import_parquet

DAY_MS = 86_400_000
START_MS = 1_772_323_200_000  # 2026-03-01T00:00:00Z
BOTH = pytest.mark.parametrize(
    ("write", "read", "name"),
    [(export_csv, import_csv, "out.csv"), (export_parquet, import_parquet, "out.parquet")],
)


def some(count: int = 3000) -> list[Reading]:
    chance = random.Random(8)
    values = (None, 0.1, 24.06, 1 / 3, 5e-324, 1.7e308, 2.5, -41.5)
    return [
        Reading(
            tank,
            quantity,
            START_MS + n * 60_000 + chance.randrange(1000),
            chance.choice(values),
            chance.choice([1, 2, 3, 4, 9]),
            chance.choice([-1, n, 2**62 + n]),
            n % 2,
        )
        for tank in ("hallway", "shed")
        for quantity in ("ph", "temperature")
        for n in range(count)
    ]


def content(store: EmbeddedStore) -> list[Reading]:
    return [r for tank in store.tanks() for q in store.quantities(tank) for r in store.readings(tank, q)]


@BOTH
def test_what_goes_out_comes_back(tmp_path: Path, write: object, read: object, name: str) -> None:
    assert callable(write) and callable(read)
    path = tmp_path / name
    with EmbeddedStore(tmp_path / "a.db") as store, EmbeddedStore(tmp_path / "b.db") as other:
        store.add_readings(some())
        store.compact(START_MS + 2 * 86_400_000)  # part packed, part rows
        assert write(store, path) == 12_000
        assert read(other, path) == 12_000
        assert content(other) == content(store) == some_sorted()
        assert read(other, path) == 0
        assert write(store, path, tank="shed", start_ms=START_MS, end_ms=START_MS + 3_600_000) == 120
    assert not list(tmp_path.glob("*.part"))


names = st.from_regex(TANK_NAME, fullmatch=True)
readings = st.builds(
    Reading,
    tank=st.sampled_from(["attic", "0", "NULL", "nan", "A:b-c_d.e"]) | names,
    quantity=st.sampled_from(sorted(QUANTITIES)),
    time_ms=st.integers(START_MS - 40 * DAY_MS, START_MS + 40 * DAY_MS) | st.integers(START_MS, START_MS + 3),
    value=st.none()
    | st.sampled_from([0.0, -0.0, 5e-324, -2.2250738585072014e-308, 1.7976931348623157e308, 0.1, 1 / 3])
    | st.floats(allow_nan=False, allow_infinity=False),
    flag=st.sampled_from([int(flag) for flag in Flag]),
    seq=st.sampled_from([-1, 0, 2**31, 2**53 + 1, 2**62]) | st.integers(-1, 2**62),
    stamp=st.sampled_from([STAMP_ARRIVAL, STAMP_DEVICE]),
)


def exact(store: EmbeddedStore) -> list[tuple[object, ...]]:
    """To the bit: 0.0 and -0.0 are equal, and are not the same."""
    return [(r.tank, r.quantity, r.time_ms, repr(r.value), r.flag, r.seq, r.stamp) for r in content(store)]


@BOTH
@settings(max_examples=25, deadline=None)
@given(st.lists(readings, min_size=1, max_size=30), st.lists(readings, max_size=10))
def test_whatever_goes_out_comes_back(
    write: Callable[..., int], read: Callable[..., int], name: str, early: list[Reading], late: list[Reading]
) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / name
        with (
            EmbeddedStore(Path(folder) / "a.db", synchronous="OFF") as store,
            EmbeddedStore(Path(folder) / "b.db", synchronous="OFF") as other,
        ):
            store.add_readings(early)
            store.compact(START_MS + 30 * DAY_MS)
            store.add_readings(late)  # for days that are packed already
            # another value under a key that is taken is kept some milliseconds later, so there may be more
            count = len(exact(store))
            assert count >= len({(r.tank, r.quantity, r.time_ms, r.seq) for r in early + late})
            assert write(store, path) == count
            assert read(other, path) == count
            assert exact(other) == exact(store) and len(exact(store)) == count
            assert read(store, path) == 0
            # and once more, from what has come back and is packed
            other.compact(START_MS + 365 * DAY_MS)
            assert write(other, path) == count
            other.compact(START_MS + 365 * DAY_MS)
            assert exact(other) == exact(store) and read(other, path) == 0
            of = early[0]
            assert write(store, path, of.tank, of.time_ms, of.time_ms + 1, [of.quantity]) == len(
                [r for r in exact(store) if r[:3] == (of.tank, of.quantity, of.time_ms)]
            )


def some_sorted() -> list[Reading]:
    return sorted(some(), key=lambda r: (r.tank, r.quantity, r.time_ms, r.seq))


def test_pandas_reads_the_csv_and_the_parquet_alike(tmp_path: Path) -> None:
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.add_readings(some())
        export_csv(store, tmp_path / "out.csv")
        export_parquet(store, tmp_path / "out.parquet")
    want = some_sorted()
    table = pd.read_csv(tmp_path / "out.csv")
    columnar = parquet.read_table(tmp_path / "out.parquet").to_pandas()
    table = table.sort_values(["tank", "quantity", "time", "seq"], ignore_index=True)
    for frame in (table, columnar):
        times = pd.to_datetime(frame["time"], utc=True)
        assert (times.astype("datetime64[ms, UTC]").astype("int64") == [r.time_ms for r in want]).all()
        assert [None if math.isnan(v) else v for v in frame["value"]] == [r.value for r in want]
        for column in ("tank", "quantity", "flag", "seq", "stamp"):
            assert frame[column].tolist() == [getattr(r, column) for r in want]


def test_a_recorded_file_without_flags_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "recorded.csv"
    path.write_text(
        "time,tank,quantity,value\n"
        "2026-03-01T00:00:10Z,hallway,ph,6.8\n"
        "2026-03-01T01:00:00.5+01:00,hallway,ph,\n"
    )
    with EmbeddedStore(tmp_path / "a.db") as store:
        assert import_csv(store, path) == 2
        assert [r for _, r in store.arrivals_after(0)] == [
            Reading("hallway", "ph", START_MS + 10_000, 6.8),
            Reading("hallway", "ph", START_MS + 500, None),
        ]


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("2026-03-01T00:00:20,hallway,ph,6.8", "no offset"),
        ("2026-03-01T00:00:20Z,hallway,phh,6.8", "unknown quantity 'phh'"),
        ("2026-03-01T00:00:20Z,hallway,ph", "has 3 fields instead of 4"),
        ("2026-03-01T00:00:20Z,hallway,ph,warm", "warm"),
        ("2026-03-01T00:00:20Z,hallway,ph,nan", "leave it empty"),
        ("2026-03-01T00:00:20Z,,ph,6.8", "tank is empty"),
        ("yesterday,hallway,ph,6.8", "yesterday"),
    ],
)
def test_a_bad_line_is_named(tmp_path: Path, line: str, message: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(f"time,tank,quantity,value\n2026-03-01T00:00:10Z,hallway,ph,6.8\n{line}\n")
    with (
        EmbeddedStore(tmp_path / "a.db") as store,
        pytest.raises(ReplayError, match=rf"bad\.csv:3: .*{message}.*; correct"),
    ):
        import_csv(store, path)


def test_what_is_no_table_is_said_to_be_so(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_text("a,b\n1,2\n")
    with EmbeddedStore(tmp_path / "a.db") as store:
        with pytest.raises(ReplayError, match="x:1: the header"):
            import_csv(store, path)
        with pytest.raises(ReplayError, match="Parquet"):
            import_parquet(store, path)
        with pytest.raises(ReplayError, match="can't be read"):
            import_csv(store, tmp_path / "nowhere")
        pd.DataFrame({"time": [1]}).to_parquet(tmp_path / "y")
        with pytest.raises(ReplayError, match="no column 'tank'"):
            import_parquet(store, tmp_path / "y")
        for write in (export_csv, export_parquet):
            with pytest.raises(StoreError, match="can't be written"):
                write(store, tmp_path / "no" / "out")


def test_a_bad_line_in_the_middle_says_how_many_are_in(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    moment = pd.Timestamp(START_MS, unit="ms", tz="UTC")
    lines = [f"{(moment + pd.Timedelta(seconds=n)).isoformat()},hallway,ph,6.8" for n in range(12_000)]
    path.write_text("\n".join(["time,tank,quantity,value", *lines, "torn"]))
    with EmbeddedStore(tmp_path / "a.db") as store:
        with pytest.raises(ReplayError, match=r"long\.csv:12002: .*; 10000 readings before it are in"):
            import_csv(store, path)
        assert len(content(store)) == 10_000


def test_an_import_is_not_news_to_the_analysis_but_to_a_server(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    with EmbeddedStore(tmp_path / "a.db") as store, EmbeddedStore(tmp_path / "b.db") as other:
        store.add_readings(some(10))
        export_csv(store, path)
        other.add_readings([Reading("hallway", "ph", START_MS - 1000, 7.0)])
        at = other.position()
        other.save_state("analysis", "hallway", b"x", at)
        other.save_state("analysis", "shed", b"x", at - 1)  # has not seen all: the rest is still to come
        other.save_state("influxdb", "http://server", b"x", at)
        import_csv(other, path)
        positions = [
            (other.load_state(*key) or (b"", -1))[1]
            for key in (("analysis", "hallway"), ("analysis", "shed"), ("influxdb", "http://server"))
        ]
        assert positions == [other.position(), at - 1, at]


@BOTH
def test_a_long_import_is_packed_on_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: object, read: object, name: str
) -> None:
    assert callable(write) and callable(read)
    monkeypatch.setattr("rushlight.collector.store.exchange._BATCH", 500)
    monkeypatch.setattr("rushlight.collector.store.exchange._PACKED_EACH", 2000)
    with EmbeddedStore(tmp_path / "a.db") as store, EmbeddedStore(tmp_path / "b.db") as other:
        store.add_readings(some())
        write(store, tmp_path / name)
        other.save_state("analysis", "hallway", b"x", 0)
        assert read(other, tmp_path / name) == 12_000
        assert content(other) == some_sorted()
        assert other._one("SELECT sum(number) FROM chunks")[0] > 4000
        assert other.load_state("analysis", "hallway") == (b"x", other.position())


TIMES = pd.to_datetime(["2026-03-01T00:00:00Z"] * 2).astype("datetime64[ms, UTC]")
GOOD: dict[str, object] = {"time": TIMES, "tank": ["a", "b"], "quantity": ["ph", "ph"], "value": [7.0, 8.0]}


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"quantity": ["ph", "phh"]}, "row 2: unknown quantity 'phh'"),
        ({"tank": ["a", None]}, "row 2: tank is empty"),
        ({"time": [TIMES[0], pd.NaT]}, "row 2: time is empty"),
        ({"time": TIMES.tz_localize(None)}, "its times have no time zone"),
        ({"time": ["today", "now"]}, "can't be read as Parquet"),
        ({"value": ["7", "warm"]}, "can't be read as Parquet .*warm"),
    ],
    ids=str,
)
def test_a_bad_row_of_a_parquet_is_named(tmp_path: Path, wrong: dict[str, object], message: str) -> None:
    path = tmp_path / "bad.parquet"
    pd.DataFrame(GOOD | wrong).to_parquet(path)
    with (
        EmbeddedStore(tmp_path / "a.db") as store,
        pytest.raises(ReplayError, match=rf"bad\.parquet: .*{message}"),
    ):
        import_parquet(store, path)


def test_a_parquet_as_pandas_makes_it_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "other.parquet"
    moments = pd.to_datetime(
        ["2026-03-01T00:00:00.123456789Z", "2026-03-01T01:00:00+01:00"], utc=True, format="ISO8601"
    )
    more = {"time": moments, "value": [7, 8], "seq": [5.0, None], "flag": [1.0, None]}
    pd.DataFrame(GOOD | more).to_parquet(path)
    with EmbeddedStore(tmp_path / "a.db") as store:
        assert import_parquet(store, path) == 2
        assert content(store) == [
            Reading("a", "ph", START_MS + 123, 7.0, 1, 5),
            Reading("b", "ph", START_MS, 8.0),
        ]
