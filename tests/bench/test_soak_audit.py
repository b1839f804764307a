"""The soak's own judge must see a loss, a double and a stranger, or its clean tables mean nothing."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

from bench.soak.audit import audit_board, audit_copy, audit_serial, broken_promises
from bench.soak.load import number_of
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore


def store_of(path: Path, numbers: list[int]) -> Path:
    with EmbeddedStore(path) as store:
        for place, n in enumerate(numbers):
            values = (("temperature", round(10 + n / 10_000, 4)), ("light", float(n)))
            store.add_readings([Reading("porch", q, 1000 * place, v, 1, n) for q, v in values])
        store.add_counts({"porch.lost": 2})
    return path


def board(sent: int, acknowledged: set[int]) -> Any:
    return SimpleNamespace(
        tank="porch",
        sent=sent,
        acknowledged=dict.fromkeys(acknowledged, 0.0),
        quantities=("temperature", "light"),
    )


def test_the_audit_sees_losses_doubles_and_strangers(tmp_path: Path) -> None:
    path = store_of(tmp_path / "a.db", [0, 1, 3, 3, 9])
    verdict = audit_board(path, board(5, {0, 1, 2}))
    assert verdict.lost == [("temperature", 2), ("light", 2)]
    assert verdict.doubled == [("temperature", 3), ("light", 3)]
    assert verdict.strange == 2  # report 9, both quantities: only five were sent
    assert verdict.stored == 10
    serial = audit_serial(path, board(5, set()))
    assert [n for q, n in serial.lost if q == "light"] == [2, 4]
    assert serial.counted == 2


def test_what_was_not_acknowledged_may_be_there_or_not(tmp_path: Path) -> None:
    path = store_of(tmp_path / "a.db", [0, 1, 2])
    verdict = audit_board(path, board(5, {0, 1}))
    assert (verdict.lost, verdict.doubled, verdict.strange) == ([], [], 0)


def test_a_promise_is_the_collectors_acknowledgement(tmp_path: Path) -> None:
    path = store_of(tmp_path / "a.db", [0, 1, 3])
    tap: Any = SimpleNamespace(acknowledged={("porch", 0), ("porch", 2), ("shed", 7)})
    assert broken_promises(path, board(5, {0, 1, 2, 3, 4}), tap) == [2]


def test_the_copy_must_be_the_same(tmp_path: Path) -> None:
    path = store_of(tmp_path / "a.db", [0, 1, 2])
    store_of(tmp_path / "b.db", [0, 1, 4, 5])
    with EmbeddedStore(tmp_path / "b.db", read_only=True) as store:
        server: Any = store
        assert audit_copy(path, server, "porch") == ("porch", 6, 8, 2, 4)


def test_every_number_is_read_back_from_its_value() -> None:
    assert all(number_of("temperature", round(10 + n / 10_000, 4)) == n for n in range(200_000))
    assert number_of("light", None) == -1
