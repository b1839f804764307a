"""Where the river data are looked for, and what is said where they are not."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.rivers import ROOT, VARIABLE, data_file


def test_the_folder_that_is_named_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    with pytest.raises(pytest.skip.Exception, match=f"river.csv.gz is not there: set {VARIABLE}"):
        data_file("river.csv.gz")
    (tmp_path / "river.csv.gz").touch()
    assert data_file("river.csv.gz") == tmp_path / "river.csv.gz"


def test_no_copy_of_them_is_in_the_project() -> None:
    assert [path for path in ROOT.glob("tests/**/*.gz")] == []


def test_skips_are_printed_with_their_reason() -> None:
    assert "-rs" in (ROOT / "pyproject.toml").read_text()
