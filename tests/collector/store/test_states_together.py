"""States that go with each commit lie together first: whoever asks gets the newest."""

from __future__ import annotations

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.collector.errors import StoreError
from rushlight.collector.store.embedded import EmbeddedStore

KEYS = st.sampled_from(["hallway", "porch", "shed"])
KINDS = st.sampled_from(["stamper", "quality"])
SAVED = st.tuples(KINDS, KEYS, st.binary(max_size=3))
STEPS = st.lists(
    st.tuples(st.just("together"), st.lists(SAVED, max_size=4))
    | st.tuples(st.just("one"), SAVED)
    | st.tuples(st.just("deleted"), st.tuples(KINDS, KEYS))
    | st.tuples(st.sampled_from(["again", "undone", "looked"]), st.just(())),
    max_size=40,
)


@settings(max_examples=200, deadline=None)
@given(steps=STEPS)
def test_the_newest_is_what_is_had(steps: list[tuple[str, Any]]) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "a.db"
        store = EmbeddedStore(path, synchronous="OFF")
        want: dict[tuple[str, str], bytes] = {}
        for what, with_ in steps:
            if what == "together":
                store.save_together(with_)
                want |= {(kind, key): blob for kind, key, blob in with_}
            elif what == "one":
                kind, key, blob = with_
                store.save_state(kind, key, blob, None)
                want[kind, key] = blob
            elif what == "deleted":
                store.delete_state(*with_)
                want.pop(with_, None)
            elif what == "undone":
                with pytest.raises(ZeroDivisionError), store.transaction():
                    store.save_together([("stamper", "hallway", b"never was")])
                    assert store.load_state("stamper", "hallway") == (b"never was", 0)
                    raise ZeroDivisionError
            elif what == "again":
                store.close()
                store = EmbeddedStore(path, synchronous="OFF")
            else:
                with EmbeddedStore(path, read_only=True) as reader:
                    assert states_in(reader) == want
            assert states_in(store) == want
        store.close()


def states_in(store: EmbeddedStore) -> dict[tuple[str, str], bytes]:
    found = {}
    for kind in ("stamper", "quality"):
        for key in store.states(kind):
            saved = store.load_state(kind, key)
            assert saved is not None
            found[kind, key] = saved[0]
        assert store.states_from(kind, "a", "z") == [
            (key, blob) for (of, key), blob in sorted(found.items()) if of == kind
        ]
    return found


def test_twenty_commits_lie_together_and_then_none(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        for commit in range(1, 45):
            store.save_together([("stamper", "hallway", b"%d" % commit), ("quality", "hallway", b"q")])
            with closing(sqlite3.connect(path)) as db:
                assert db.execute("SELECT count(*) FROM recent_states").fetchone()[0] == commit % 20
            assert store.load_state("stamper", "hallway") == (b"%d" % commit, 0)


def test_they_hold_no_reading_back(tmp_path: Path) -> None:
    """A state with a position keeps the order of arrival behind it; these have none."""
    with EmbeddedStore(tmp_path / "a.db") as store:
        store.save_state("analysis", "hallway", b"", 7)
        for _ in range(25):
            store.save_together([("stamper", "hallway", b"numbers")])
        assert store._hold() == 7


def test_one_that_cannot_be_read_costs_only_itself(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store:
        store.save_together([("stamper", "hallway", b"older"), ("stamper", "shed", b"older")])
        store.save_together([("stamper", "hallway", b"damaged")])
        store.save_together([("stamper", "shed", b"newer")])
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE recent_states SET blob = x'c1' WHERE id = 2")
    with EmbeddedStore(path, read_only=True) as reader:
        assert reader.load_state("stamper", "shed") == (b"newer", 0)
    with EmbeddedStore(path) as store:
        assert store.load_state("stamper", "hallway") == (b"older", 0)
        assert store.load_state("stamper", "shed") == (b"newer", 0)
    assert "can't be read" in caplog.text and str(path) in caplog.text


def test_after_a_read_that_failed_none_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fails once must not make older states pass for the newest, nor the newest go."""
    path = tmp_path / "a.db"
    with EmbeddedStore(path) as store, EmbeddedStore(path, read_only=True) as reader:
        store.save_together([("stamper", "hallway", b"newest")])
        read = reader._all

        def failing(sql: str, args: tuple[Any, ...] = ()) -> list[Any]:
            if "SELECT blob FROM recent_states" in sql:
                raise StoreError("disk I/O error")
            return read(sql, args)

        with monkeypatch.context() as patched:
            patched.setattr(reader, "_all", failing)
            with pytest.raises(StoreError):
                reader.load_state("stamper", "hallway")
        assert reader.load_state("stamper", "hallway") == (b"newest", 0)
