"""Days in chunks: nothing changes but the space they take. Summaries against pandas' own resampling."""

from __future__ import annotations

import math
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.store import chunks, codec
from rushlight.collector.store.columns import from_rows, to_rows
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.schema import migrate

DAY_MS = 86_400_000
START_MS = 20_000 * DAY_MS
INT64 = st.integers(-(2**63), 2**63 - 1)
DECIMALS = st.integers(-99_999, 99_999).map(lambda n: n / 100)
ROWS = st.lists(
    st.tuples(
        INT64 | st.integers(0, 10**6),
        st.none() | DECIMALS | st.floats(allow_nan=False),
        INT64 | st.integers(1, 4),
        INT64 | st.integers(-1, 5),
        INT64 | st.integers(0, 1),
    ),
    max_size=80,
    unique_by=lambda row: (row[0], row[3]),
)


def exact(rows: list[tuple[object, ...]]) -> list[str]:
    return [repr(row) for row in rows]  # tells -0.0 from 0.0, too


@settings(max_examples=100, deadline=None)
@given(rows=ROWS)
def test_any_rows_come_back_bit_for_bit(rows: list[tuple[object, ...]]) -> None:
    want = sorted(rows, key=lambda row: (row[0], row[3]))
    assert exact(to_rows(codec.decode(codec.encode(from_rows(rows))))) == exact(want)


@settings(max_examples=25, deadline=None)
@given(values=st.lists(DECIMALS, min_size=60, max_size=200), odd=st.floats(allow_nan=False))
def test_a_day_of_decimals_with_one_odd_value_comes_back(values: list[float], odd: float) -> None:
    rows = [(n * 10_000, value, 1, n, 0) for n, value in enumerate([*values, odd])]
    assert exact(to_rows(codec.decode(codec.encode(from_rows(rows))))) == exact(rows)


def test_a_steady_day_takes_less_than_a_byte_a_reading() -> None:
    chance = np.random.default_rng(5)
    values = np.round(24 + 0.5 * np.sin(np.arange(8640) / 1400) + chance.normal(0, 0.02, 8640), 2).tolist()
    rows = [(START_MS + n * 10_000, value, 1, n, 0) for n, value in enumerate(values)]
    assert len(codec.encode(from_rows(rows))) < 8640


def test_a_damaged_or_newer_chunk_is_said_to_be_so() -> None:
    chance = np.random.default_rng(5)
    blob = codec.encode(from_rows([(n, chance.random(), 1, n, 0) for n in range(100)]))
    with pytest.raises(StoreError, match="damaged"):
        codec.decode(blob[:-20])
    with pytest.raises(StoreError, match="format 9"):
        codec.decode(b"\x09" + blob[1:])


class CompactedStore(RuleBasedStateMachine):
    """Whatever is added, repeated, packed or saved in whatever order: all readers see the same as a dict."""

    @initialize()
    def open(self) -> None:
        self.store = EmbeddedStore(self.path(), synchronous="OFF")
        self.kept: dict[tuple[str, int, int], Reading] = {}
        self.arrivals: list[Reading] = []
        self.saved = 0

    def path(self) -> Path:
        self.folder = tempfile.TemporaryDirectory()
        return Path(self.folder.name) / "a.db"

    def teardown(self) -> None:
        if hasattr(self, "store"):
            self.store.close()
            self.folder.cleanup()

    @rule(
        quantity=st.sampled_from(["ph", "light"]),
        steps=st.lists(st.integers(0, 40), max_size=12),
        value=st.none() | DECIMALS,
        flag=st.sampled_from([1, 3, 4]),
        seq=st.integers(-1, 1),
    )
    def add(self, quantity: str, steps: list[int], value: float | None, flag: int, seq: int) -> None:
        batch = [
            Reading("hallway", quantity, START_MS + n * DAY_MS // 10, value, flag, seq, 0) for n in steps
        ]
        new = []
        for r in batch:
            at = r.time_ms
            while (there := self.kept.get((r.quantity, at, r.seq))) is not None and there.value != r.value:
                at += 1  # another value under a key that is taken is kept beside it
            if there is None:
                new.append(msgspec.structs.replace(r, time_ms=at))
                self.kept[r.quantity, at, r.seq] = new[-1]
        assert self.store.add_readings(batch) == len(new)
        self.arrivals += new

    @rule()
    def save(self) -> None:
        self.store.save_state("analysis", "hallway", b"", self.store.position())
        self.saved = len(self.arrivals)

    @rule(days=st.integers(0, 5), limit=st.none() | st.integers(1, 3))
    def compact(self, days: int, limit: int | None) -> None:
        self.store.compact(START_MS + days * DAY_MS, limit=limit, settle_ms=0)

    @rule()
    def reopen(self) -> None:
        self.store.close()
        self.store = EmbeddedStore(self.store.path, synchronous="OFF")

    @invariant()
    def all_is_there(self) -> None:
        if not hasattr(self, "store"):
            return
        latest = {}
        for quantity in ("light", "ph"):
            want = [r for r in self.kept.values() if r.quantity == quantity]
            want.sort(key=lambda r: (r.time_ms, r.seq))
            assert list(self.store.readings("hallway", quantity)) == want
            start, end = START_MS + DAY_MS // 2, START_MS + 2 * DAY_MS + 1
            inside = [r for r in want if start <= r.time_ms < end]
            assert list(self.store.readings("hallway", quantity, start, end)) == inside
            frame = self.store.frame("hallway", quantity, start, end)
            assert list(frame["seq"]) == [r.seq for r in inside]
            assert [None if math.isnan(v) else v for v in frame["value"]] == [r.value for r in inside]
            if want:
                latest[quantity] = want[-1]
        assert self.store.latest("hallway") == latest
        state = self.store.load_state("analysis", "hallway")
        if state is not None:
            tail = [r for _, r in self.store.arrivals_after(state[1])]
            # from position 0 nothing is saved up to, and packed days come by time
            if state[1] > 0:
                assert tail == self.arrivals[self.saved :]
        everything = [r for _, r in self.store.arrivals_after(0)]
        assert sorted(map(repr, everything)) == sorted(map(repr, self.kept.values()))


TestCompactedStore = CompactedStore.TestCase
TestCompactedStore.settings = settings(
    max_examples=15, stateful_step_count=15, deadline=None, suppress_health_check=list(HealthCheck)
)


def month(count: int = 9 * 24 * 60) -> list[Reading]:
    chance = np.random.default_rng(3)
    values = np.round(6.8 + chance.normal(0, 0.05, count), 2).tolist()
    flags = chance.choice([1, 3, 4], count, p=[0.8, 0.1, 0.1]).tolist()
    return [
        Reading("hallway", "ph", START_MS + n * 60_000, None if n % 50 == 0 else values[n], flags[n], n, 0)
        for n in range(count)
    ]


@pytest.mark.parametrize(("step", "rule_"), [("hourly", "h"), ("daily", "D")])
def test_summaries_agree_with_pandas(tmp_path: Path, step: str, rule_: str) -> None:
    readings = month()
    table = pd.DataFrame(
        {"value": [r.value if r.flag != 4 else None for r in readings]},
        index=pd.to_datetime([r.time_ms for r in readings], unit="ms", utc=True),
    ).astype(float)
    want = table["value"].resample(rule_).agg(["count", "min", "mean", "max"])
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.add_readings(readings[:-2000])
        store.compact(START_MS + 6 * DAY_MS)
        store.add_readings(readings[-2000:])  # part packed, part rows
        for _ in range(2):
            got = store.summaries("hallway", "ph", step=step)  # type: ignore[arg-type]
            assert [s.start_ms for s in got] == [int(t.timestamp() * 1000) for t in want.index]
            assert [s.number for s in got] == want["count"].tolist()
            for column, name in (("min", "minimum"), ("mean", "mean"), ("max", "maximum")):
                assert [getattr(s, name) for s in got] == pytest.approx(want[column].tolist(), rel=1e-12)
            store.compact(START_MS + 20 * DAY_MS)
        span = store.summaries("hallway", "ph", START_MS + DAY_MS, START_MS + 2 * DAY_MS, step=step)  # type: ignore[arg-type]
        assert span == [s for s in got if DAY_MS <= s.start_ms - START_MS < 2 * DAY_MS]


def test_extremes_agree_with_pandas(tmp_path: Path) -> None:
    readings = month()
    start, end, step = START_MS + DAY_MS // 2, START_MS + 8 * DAY_MS + 123 * 60_000, 600_000
    table = pd.DataFrame(
        {"value": [r.value if r.flag != 4 else None for r in readings if start <= r.time_ms < end]},
        index=pd.to_datetime([r.time_ms for r in readings if start <= r.time_ms < end], unit="ms", utc=True),
    ).astype(float)
    want = table["value"].resample("10min").agg(["min", "max"]).dropna()
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.add_readings(readings[:-2000])
        store.compact(START_MS + 6 * DAY_MS)
        store.add_readings(readings[-2000:])  # part packed, part rows
        store.add_readings([Reading("hallway", "ph", start, math.inf, 1, -1)])  # nothing to draw
        for _ in range(2):
            got = store.extremes("hallway", "ph", start, end, step)
            assert sorted(got) == [int(t.timestamp() * 1000) for t in want.index]
            assert [got[key] for key in sorted(got)] == list(zip(want["min"], want["max"], strict=True))
            store.compact(START_MS + 20 * DAY_MS)
        assert store.extremes("hallway", "ph", START_MS - DAY_MS, START_MS, step) == {}
        assert store.extremes("hallway", "light", start, end, step) == {}


def test_old_readings_go_and_their_summaries_stay(tmp_path: Path) -> None:
    readings = month()
    light = [Reading("hallway", "light", r.time_ms, 7000.0, 1, r.seq) for r in readings]
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.add_readings(readings + light)
        before = store.summaries("hallway", "ph")
        done = store.compact(START_MS + 10 * DAY_MS, keep_days={"ph": 4})
        assert (done.days, done.dropped, done.more) == (18, 6, False)
        first = next(store.readings("hallway", "ph"))
        assert first.time_ms == START_MS + 6 * DAY_MS
        assert list(store.readings("hallway", "light")) == light
        assert store.summaries("hallway", "ph") == before
        # One that comes late for a dropped day goes, too, and spoils no summary.
        store.add_readings([Reading("hallway", "ph", START_MS + 5, 3.0, 1, 10**6)])
        assert store.summaries("hallway", "ph") == before
        store.compact(START_MS + 10 * DAY_MS, keep_days={"ph": 4})
        assert next(store.readings("hallway", "ph")) == first
        assert store.summaries("hallway", "ph") == before


def test_what_comes_late_for_a_dropped_day_stays_while_it_is_wanted(tmp_path: Path) -> None:
    # as by an import for a new server, while `days_to_keep` says that nothing may go
    readings = month()
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.add_readings(readings)
        store.compact(START_MS + 10 * DAY_MS, keep_days={"ph": 4})
        before = store.summaries("hallway", "ph")
        old = [reading for reading in readings if reading.time_ms < START_MS + 6 * DAY_MS]
        assert store.add_readings(old) == len(old)
        for keep in ({}, {"ph": 400.0}):
            store.compact(START_MS + 10 * DAY_MS, keep_days=keep)
            assert list(store.readings("hallway", "ph")) == readings
            assert store.summaries("hallway", "ph") == before
        store.compact(START_MS + 10 * DAY_MS, keep_days={"ph": 4})
        assert next(store.readings("hallway", "ph")).time_ms == START_MS + 6 * DAY_MS
        assert store.summaries("hallway", "ph") == before


def test_rows_a_saved_state_needs_are_not_packed(tmp_path: Path) -> None:
    readings = month()
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.add_readings(readings[:3000])
        store.save_state("analysis", "hallway", b"", store.position())
        store.save_state("stamper", "serial", b"", None)  # needs none
        store.add_readings(readings[3000:][::-1])
        packed = store.compact(START_MS + 20 * DAY_MS)
        assert packed.readings == 3000
        assert [r for _, r in store.arrivals_after(3000)] == readings[3000:][::-1]
        with pytest.raises(StoreError, match="position 0"):
            next(store.arrivals_after(2999))
        store.delete_state("analysis", "hallway")
        assert store.compact(START_MS + 20 * DAY_MS).readings == len(readings) - 3000
        assert store.position() == len(readings)
        assert list(store.readings("hallway", "ph")) == readings


def test_a_limit_holds_nobody_up(tmp_path: Path) -> None:
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.add_readings(month())
        calls = [store.compact(START_MS + 20 * DAY_MS, limit=4) for _ in range(3)]
        assert [(call.days, call.more) for call in calls] == [(4, True), (4, True), (1, False)]


def pages(path: Path) -> tuple[int, int]:
    """Pages of the file, and how many of them are free."""
    with closing(sqlite3.connect(path)) as db:
        count, free = (db.execute(f"PRAGMA {name}_count").fetchone()[0] for name in ("page", "freelist"))
    return count, free


def test_the_room_of_packed_rows_is_given_back_in_helpings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chunks, "_FREE_PIECE", 20)
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        store.add_readings(month())
        full, _ = pages(path)
        helpings = 1
        while store.compact(START_MS + 20 * DAY_MS, limit=1).more:
            helpings += 1
        left, free = pages(path)
        assert free == 0
        assert left < full / 3
        assert helpings >= (full - left) / 20
        assert not store.compact(START_MS + 20 * DAY_MS, limit=1).more
        assert list(store.readings("hallway", "ph")) == month()
        assert store.check() == []


def test_a_file_of_before_it_could_give_room_back_goes_on_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        migrate(db, str(path))  # without `auto_vacuum`, as every file was
    with EmbeddedStore(path) as store:
        readings = month()
        store.add_readings(readings[:-1000])
        done = store.compact(START_MS + 20 * DAY_MS, limit=1000)
        assert (done.readings, done.more) == (len(readings) - 1000, False)
        free = pages(path)[1]
        assert free > 20  # kept for the rows that come
        store.add_readings(readings[-1000:])
        assert pages(path)[1] < free
        assert list(store.readings("hallway", "ph")) == readings
        assert store.check() == []


def test_the_first_frame_of_an_empty_series_has_its_columns(tmp_path: Path) -> None:
    with EmbeddedStore(tmp_path / "a.db") as store:
        frame = store.frame("hallway", "ph")
        assert list(frame.columns) == ["value", "flag", "seq", "stamp"]
        assert frame.empty
        assert str(frame.index.dtype) == "datetime64[ms, UTC]"
