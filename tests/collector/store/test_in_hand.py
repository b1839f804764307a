"""Probes in somebody's hand: two people who calibrate at a time take nothing from each other."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.in_hand import in_hand, let_go, take_in_hand


@pytest.mark.parametrize("step", [lambda s: take_in_hand(s, "sill", "ph_probe", (3, 4)), None])
def test_nobody_writes_between_reading_and_writing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: Callable[[EmbeddedStore], None] | None
) -> None:
    path = tmp_path / "rushlight.db"
    with EmbeddedStore(path) as store, closing(sqlite3.connect(path, timeout=0)) as other:
        take_in_hand(store, "porch", "temperature", (1, 2))
        refused: list[str] = []
        real = store.get_meta

        def reading(key: str) -> str | None:
            found = real(key)
            try:
                other.execute("BEGIN IMMEDIATE")
                other.execute("ROLLBACK")
            except sqlite3.OperationalError as error:
                refused.append(str(error))
            return found

        monkeypatch.setattr(store, "get_meta", reading)
        if step is None:
            let_go(store, "porch", "temperature")
        else:
            step(store)
        assert refused == ["database is locked"]
        monkeypatch.undo()
        other.execute("BEGIN IMMEDIATE")  # and afterwards anybody may
        other.execute("ROLLBACK")
        expected = {"porch": {"temperature": (1, 2)}, "sill": {"ph_probe": (3, 4)}} if step else {}
        assert in_hand(store) == expected
