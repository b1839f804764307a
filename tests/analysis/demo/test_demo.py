"""The demo for real: node, pseudo-terminal, serial link, service, store, watch, notices, screen."""

from __future__ import annotations

import errno
import io
import os
import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.commands.main import main
from rushlight.analysis.demo.run import run_demo
from rushlight.analysis.demo.screen import Outcome, Screen, lead_text
from rushlight.collector.errors import LinkLost, SettingsError
from rushlight.collector.settings import load_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.simulator.faults import Fault, probe_unplugged
from rushlight.simulator.room import RoomDesign
from rushlight.simulator.scene import SCENE, Chapter, Scene

HOUR = 3_600_000
EXPECTED = ["co2-overdose", "heater-not-heating", "light-schedule-drift"]


class Run(NamedTuple):
    status: int
    screen: str
    folder: Path

    @property
    def table(self) -> list[str]:
        """Rows under the closing table's heading."""
        lines = self.screen.splitlines()
        start = next(n for n, line in enumerate(lines) if line.startswith("fault ")) + 1
        return lines[start : lines.index("", start)]


def _play(folder: Path, scene: Scene = SCENE) -> Run:
    out = io.StringIO()
    status = run_demo(folder, 0, out, scene)
    return Run(status, out.getvalue(), folder)


def _short(hours: float, expected: str | None, faults: Iterable[Fault] = ()) -> Scene:
    chapter = Chapter("A few hours", SCENE.start_ms, SCENE.start_ms + int(hours * HOUR), expected, "A story.")
    return replace(SCENE, chapters=(chapter,), faults=tuple(faults), room=RoomDesign(), settle_s=0)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """The whole scene, as fast as it goes."""
    return _play(tmp_path_factory.mktemp("demo") / "new")


def test_every_fault_is_reported_in_time_and_nothing_else(demo: Run) -> None:
    rows = [re.split(r"\s{2,}", row) for row in demo.table]
    assert [row[1] for row in rows] == EXPECTED, demo.screen
    assert not re.search("MISSED|LATE|FALSE", demo.screen), "\n".join(demo.table)
    assert demo.status == 0
    # 3.8 times the usual gas, a report a minute: within a quarter of an hour (its own aim, no source)
    said = re.search(r"A notice arrives, (\d+) min after it began", demo.screen)
    assert said is not None and int(said[1]) <= 15


def test_each_notice_is_shown_as_it_would_arrive(demo: Run) -> None:
    frames = re.findall(r"┌─+\n(.*?)└─+\n", demo.screen, re.DOTALL)
    said = [" ".join(re.sub(r"^ *│ ?", " ", frame, flags=re.MULTILINE).split()) for frame in frames]
    raised = [text for text in said if "Likely cause:" in text]
    for alarm in EXPECTED:
        (text,) = [text for text in raised if f"Alarm: landing/{alarm}/" in text][:1]
        assert re.match(r"(CRITICAL|HIGH|MEDIUM|LOW)\b.*: ", text)
        # the words that decide are in a step, the rest below, once
        assert re.search(r"at the wall[^.]*with dry hands", text)
        assert text.count(CAUTIONS["electrical"].partition("drip loop")[2]) == 1
    assert all(len(line) <= 100 for line in demo.screen.splitlines() if "│" in line)


def test_the_ordinary_day_is_shown_and_quiet(demo: Run) -> None:
    chapter = demo.screen[demo.screen.index("An ordinary day") : demo.screen.index("A night surge")]
    assert "No alarm." in chapter
    assert re.search(r"Water 2\d\.\d to 2\d\.\d °C, pH .* in 1510 reports", chapter)


def test_it_leaves_an_ordinary_store_and_settings(demo: Run, capsys: pytest.CaptureFixture[str]) -> None:
    settings = load_settings(demo.folder / "rushlight.toml")
    with EmbeddedStore(settings.store_path(), read_only=True) as store:
        for quantity in SCENE.quantities:
            times = [reading.time_ms for reading in store.readings(SCENE.tank, quantity)]
            assert times == list(range(SCENE.start_ms, SCENE.end_ms, 60_000)), quantity
        raised = [event.alarm for event in store.events() if event.event == "raised"]
        assert store.pending_notices() == []
    assert raised == EXPECTED
    assert main(["status", "--config", str(demo.folder / "rushlight.toml")]) == 0
    assert "light-schedule-drift" in capsys.readouterr().out


def test_no_escape_codes_outside_a_terminal(demo: Run) -> None:
    assert "\x1b" not in demo.screen
    assert "\r" not in demo.screen


def test_an_alarm_that_does_not_come_is_missed(tmp_path: Path) -> None:
    run = _play(tmp_path, _short(3, "heater-not-heating"))
    assert run.status == 1
    assert "MISSED" in run.table[0]


def test_an_alarm_that_nothing_calls_for_is_false(tmp_path: Path) -> None:
    fault = probe_unplugged(SCENE.start_ms + HOUR, SCENE.start_ms + 5 * HOUR, "ph")
    run = _play(tmp_path, _short(6, None, [fault]))
    assert run.status == 1
    assert any("probe-fault" in row and "FALSE ALARM" in row for row in run.table), run.screen


def test_an_earlier_demo_is_replaced(tmp_path: Path) -> None:
    for hours in (3, 2):
        _play(tmp_path, _short(hours, None))
    with EmbeddedStore(tmp_path / "rushlight.db", read_only=True) as store:
        assert len(list(store.readings(SCENE.tank, "temperature"))) == 2 * 60


@pytest.mark.parametrize("name", ["rushlight.toml", "rushlight.db"])
def test_a_folder_of_somebody_else_is_left_alone(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    with pytest.raises(SettingsError, match=r"not a demo's.*--directory"):
        run_demo(tmp_path, 0, io.StringIO())
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [(name, "mine")]


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(SettingsError, match="can't be used"):
        run_demo(tmp_path / "file" / "below", 0, io.StringIO())


def test_no_pseudo_terminal_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> tuple[int, int]:
        raise OSError(errno.ENOENT, "No such file or directory")

    monkeypatch.setattr(os, "openpty", refuse)
    with pytest.raises(LinkLost, match="/dev/pts"):
        run_demo(tmp_path, 0, io.StringIO())


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("no_color", "coloured"), [("", True), ("1", False)])
def test_colours_on_a_terminal_unless_asked_not_to(
    monkeypatch: pytest.MonkeyPatch, no_color: str, coloured: bool
) -> None:
    """NO_COLOR: https://no-color.org, set and not empty means no colour."""
    monkeypatch.setenv("NO_COLOR", no_color)
    out = _Terminal()
    Screen(out, "UTC").notice(0, "HIGH: something", "Do this.", "A notice:")
    assert ("\x1b[" in out.getvalue()) is coloured


def test_lead_time_in_words() -> None:
    noticed = Outcome("x", "co2-overdose", 0, 2 * HOUR, 5 * HOUR)
    assert (noticed.good, lead_text(noticed)) == (True, "3 h before harm")
    late = noticed._replace(raised_ms=6 * HOUR)
    assert not late.good
    assert lead_text(late).startswith("LATE")
    assert noticed._replace(harm_ms=None).good
    assert not noticed._replace(raised_ms=None).good
