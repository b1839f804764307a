"""The mutation run must make the faults that it says it makes, or its clean list means nothing."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import pytest

import bench.mutation.__main__ as mutation
from bench.mutation.mutants import mutants_of

SOURCE = '''
class Book:
    """Text."""

    def keep(self, batch, most=10):
        """Text."""
        with self.transaction():
            self.write(batch)
        if batch is not None and len(batch) < most + 1:
            self.acknowledge(batch)
        _log.info("kept %d", len(batch) + 1)
        return True

    def tell(self):
        return 1
'''


def test_each_kind_of_fault_is_made_once_and_can_be_compiled() -> None:
    found = mutants_of("book.py", SOURCE, ("tell",))
    made = {(m.was, m.becomes) for m in found}
    write_first = "with self.transaction(): | self.write(batch)"
    for was, becomes in (
        ("self.write(batch)", "(left out)"),
        ("self.acknowledge(batch)", "(left out)"),
        (write_first, "(without 'with self.transaction():')"),
        ("batch is not None", "batch is None"),
        ("len(batch) < most + 1", "len(batch) <= most + 1"),
        ("len(batch) < most + 1", "len(batch) >= most + 1"),
        ("most + 1", "most - 1"),
        ("most + 1", "most + 2"),
        ("return True", "return False"),
    ):
        assert (was, becomes) in made
    # the order of commit and acknowledgement
    assert any(m.was == write_first and m.becomes.startswith("(after if batch is not None") for m in found)
    assert not any("_log" in m.was or "10" in m.was or m.function != "Book.keep" for m in found)
    sources = [m.source for m in found]
    assert len(set(sources)) == len(sources)
    for source in sources:
        assert ast.dump(ast.parse(source)) != ast.dump(ast.parse(SOURCE))
        assert '"kept %d"' in source or "'kept %d'" in source
        assert "def tell" in source


def test_the_run_finds_a_fault_that_a_test_fails_for_and_shows_one_that_none_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "small").mkdir()
    (tmp_path / "small/sums.py").write_text(
        "def add(a, b):\n    return a + b\n\ndef half(a):\n    return a < 1\n"
    )
    (tmp_path / "small/test_sums.py").write_text(
        "from small.sums import add, half\n\ndef test_add():\n    assert add(2, 3) == 5\n    assert half(0)\n"
    )
    area = mutation.Area("small", "test_sums", (), ("small",))
    for name, value in (("ROOT", tmp_path), ("AREAS", (area,)), ("_COPIED", ("small",))):
        monkeypatch.setattr(mutation, name, value)
    survivors = mutation.run(mutation.mutants(), 1)
    assert {m.becomes for m in survivors} == {"a <= 1", "a < 2"}
    assert "a + b  ->  a - b" in capsys.readouterr().out


def test_what_is_listed_as_harmless_has_a_reason_and_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = mutation.mutants("collector/store/service_lock.py")[0][1]
    row: dict[str, Any] = {"file": first.file, "function": first.function, "was": first.was}
    row |= {"becomes": first.becomes, "reason": "only for this test"}
    listed = tmp_path / "equivalent.toml"
    listed.write_text("[[mutant]]\n" + "".join(f"{key} = '''{value}'''\n" for key, value in row.items()))
    monkeypatch.setattr(mutation, "EQUIVALENT", listed)
    assert first not in [mutant for _, mutant in mutation.mutants("collector/store/service_lock.py")]
    listed.write_text(listed.read_text().replace("only for this test", ""))
    with pytest.raises(AssertionError):
        mutation.equivalents()
