"""What a file may bring into the store: as a device, and nothing that breaks what reads the store."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.analysis.commands.main import main
from rushlight.analysis.replay.csv_rows import read_rows
from rushlight.analysis.views.status import print_status
from rushlight.collector.errors import ReplayError
from rushlight.collector.readings import TANK_NAME
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import import_csv, import_parquet
from rushlight.collector.store.recorded_rows import EARLIEST_MS, row_fault

SETTINGS = """
[tanks.loft]
volume_litres = 60
timezone = "UTC"
[tanks.loft.livestock]
temperature_low_c = 18
temperature_high_c = 26
"""
NOW_MS = 1_790_000_000_000  # 2026-09-21
GOOD = ("2026-09-01T00:00:00Z", "loft", "temperature", 21.5, 1, 7, 0)
HEADER = ("time", "tank", "quantity", "value", "flag", "seq", "stamp")


def written(path: Path, *rows: tuple[object, ...]) -> Path:
    if path.suffix == ".csv":
        with path.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows([HEADER, *rows])
    else:
        frame = pd.DataFrame(rows, columns=list(HEADER))
        frame["time"] = [pd.Timestamp(time).as_unit("ms") for time in frame["time"]]
        frame.to_parquet(path)
    return path


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db") as opened:
        yield opened


@pytest.mark.parametrize(
    ("place", "value", "says"),
    [
        (0, "0001-01-01T00:00:00Z", "before 2020"),
        (0, "2019-12-31T23:59:59.999Z", "before 2020"),
        (0, "2199-01-01T00:00:00Z", "in the future"),
        (1, "lo\x1b[2Jft", r"'lo\\\\x1b\[2Jft' can't be a tank's name"),
        (1, "lo/ft", "can't be a tank's name"),
        (1, "x" * 65, "can't be a tank's name"),
        (2, "mood\x07", r"unknown quantity 'mood\\\\x07'"),
        (3, float("inf"), "leave it empty"),
        (3, float("-inf"), "leave it empty"),
        (4, 1000, "flag 1000 is no QARTOD flag"),
        (4, 0, "flag 0 is no QARTOD flag"),
        (6, 2, "stamp 2 is not known"),
    ],
)
@pytest.mark.parametrize(("read", "suffix"), [(import_csv, "csv"), (import_parquet, "parquet")])
def test_what_no_device_could_send_is_not_imported(
    tmp_path: Path,
    store: EmbeddedStore,
    read: Callable[..., int],
    suffix: str,
    place: int,
    value: object,
    says: str,
) -> None:
    bad = (*GOOD[:place], value, *GOOD[place + 1 :])
    path = written(tmp_path / f"bad.{suffix}", GOOD, bad)
    with pytest.raises(ReplayError, match=rf"(row 2|bad\.csv:3): .*{says}.*; correct or remove"):
        read(store, path, NOW_MS)
    path = written(tmp_path / f"good.{suffix}", GOOD)
    assert read(store, path, NOW_MS) == 1  # the same without it


def test_the_first_moment_that_is_taken() -> None:
    """2020-01-01T00:00Z, as for a device's clock (`collector/intake/timing.py`): common practice, no
    source."""
    assert row_fault("loft", "ph", EARLIEST_MS, 7.0) is None
    assert row_fault("loft", "ph", EARLIEST_MS - 1, 7.0) is not None
    assert pd.Timestamp("2020-01-01T00:00Z").value // 1_000_000 == EARLIEST_MS


def test_a_byte_order_mark_of_a_spreadsheet_is_no_fault(tmp_path: Path, store: EmbeddedStore) -> None:
    path = written(tmp_path / "a.csv", GOOD)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert import_csv(store, path, NOW_MS) == 1


texts = st.text(max_size=20) | st.sampled_from(
    [str(part) for part in GOOD] + ["", "1e999", "9" * 5000, "nan"]
)
lines = st.lists(st.tuples(*[st.just(str(part)) | texts for part in GOOD]), max_size=3)


@settings(deadline=None, max_examples=80)
@given(lines, st.binary(max_size=40))
def test_whatever_is_in_a_file_what_is_let_in_can_be_shown(rows: list[tuple[str, ...]], tail: bytes) -> None:
    with TemporaryDirectory() as folder:
        path = written(Path(folder) / "a.csv", GOOD, *rows)
        path.write_bytes(path.read_bytes() + tail)
        own = parse_settings(SETTINGS, str(Path(folder) / "rushlight.toml"))
        with EmbeddedStore(own.store_path(), synchronous="OFF") as opened:
            try:
                import_csv(opened, path, NOW_MS)
            except ReplayError as error:
                assert str(path) in str(error)
            for name in opened.tanks():
                assert TANK_NAME.fullmatch(name)
            print_status(own, opened, NOW_MS, io.StringIO())
        noticed: list[str] = []
        try:
            for time_ms, _, _, value, _ in read_rows([path], noticed.append):
                assert time_ms >= EARLIEST_MS and (value is None or abs(value) < float("inf"))
        except ReplayError as error:
            assert str(path) in str(error)


def test_the_commands_refuse_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("rushlight.toml").write_text(SETTINGS)
    written(Path("good.csv"), GOOD, ("2026-09-01T00:00:00Z", "shed", "temperature", 9, 1, 7, 0))
    written(Path("ahead.csv"), ("2199-01-01T00:00:00Z", *GOOD[1:]))
    assert main(["import", "good.csv"]) == 0
    assert main(["import", "ahead.csv"]) == 1
    assert "ahead.csv:2: time lies in the future" in capsys.readouterr().err
    for known in ("loft", "shed"):  # in the settings; in the store only
        assert main(["export", "--tank", known, "out.csv"]) == 0
    assert len(Path("out.csv").read_text().splitlines()) == 2
    capsys.readouterr()
    assert main(["export", "--tank", "lo\x1bft", "none.csv"]) == 2
    said = capsys.readouterr().err
    assert "--tank: there is no tank" in said and "known are loft, shed" in said and "\x1b" not in said
    assert not Path("none.csv").exists()
