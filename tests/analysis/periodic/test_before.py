"""The report beside the weeks and months before: figures by hand."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from rushlight.analysis.commands.main import main
from rushlight.analysis.periodic.before import Before, beside, longest_before_days
from rushlight.analysis.periodic.figures import seen
from rushlight.analysis.replay.beliefs import Sample
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore

MINUTE, DAY = 60_000, 86_400_000
TOML = """
[display]
units = "UNITS"
[tanks.loft]
volume_litres = 80
timezone = "UTC"
report_every_s = 300
[tanks.loft.livestock]
temperature_low_c = 20
temperature_high_c = 27
"""
# by weeks, newest first: the lowest of seven values that follow one another, and their step, °C
WEEKS = ((24.0, 0.06), (24.1, 0.03), (24.2, 0.03), (24.3, 0.03), (24.6, 0.1), (21.0, 0.1), (21.0, 0.1))
EVERY = 5 * MINUTE
A_DAY = DAY // EVERY


def kept(folder: Path, days: float, units: str = "metric") -> None:
    """A store with so many days of them, the newest a moment ago."""
    (folder / "rushlight.toml").write_text(TOML.replace("UNITS", units), "utf-8")
    (folder / "rushlight.db").unlink(missing_ok=True)
    now = time.time_ns() // 1_000_000
    rows = []
    for i in range(round(days * A_DAY)):
        lowest, step = WEEKS[min(i // (7 * A_DAY), len(WEEKS) - 1)]
        rows.append(Reading("loft", "temperature", now - i * EVERY, lowest + i % 7 * step, 1, i))
    with EmbeddedStore(folder / "rushlight.db") as store:
        store.add_readings(rows)


def line_of(out: str) -> str:
    (line,) = [line for line in out.splitlines() if line.startswith("water temperature")]
    return line


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_week_beside_the_four_before(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of seven values the middle is the lowest and three steps, nine in ten are six steps apart.

    Middles of the weeks before: 24.19, 24.29, 24.39, 24.9; nine in ten: 0.18, 0.18, 0.18, 0.6 °C apart.
    """
    kept(home, 45)
    assert main(["report", "loft"]) == 0
    assert line_of(capsys.readouterr().out) == (
        "water temperature: 24.18 °C (24.00 to 24.36 °C, 0.36 °C apart); 4 weeks before: 24.34 °C (24.19 to "
        "24.90 °C), nine in ten 0.18 °C apart (0.18 to 0.60 °C apart)"
    )
    page = (home / "loft-report.html").read_text("utf-8")
    assert "24.34 °C (24.19 to 24.90 °C); 4 weeks" in page and "weeks before: middle" in page
    assert "fewer than half of its days" in page
    kept(home, 45, "us")
    assert main(["report", "loft"]) == 0  # a width is no temperature: 0.36 °C are 0.65 °F, not 32.65
    assert "0.65 °F apart" in line_of(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("days", "said"),
    [
        (9, "no week before to compare with"),  # two days of the week before
        (12, "the week before: 24.19 °C, nine in ten 0.18 °C apart"),  # five
        (
            22,
            "2 weeks before: 24.24 °C (24.19 to 24.29 °C), nine in ten 0.18 °C apart (0.18 to 0.18 °C apart)",
        ),
    ],
)
def test_as_far_as_readings_reach(
    home: Path, capsys: pytest.CaptureFixture[str], days: int, said: str
) -> None:
    kept(home, days)
    assert main(["report", "loft"]) == 0
    assert line_of(capsys.readouterr().out).partition("; ")[2] == said


def test_a_month_beside_those_before(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept(home, 80)  # of the second month before 20 days
    assert main(["report", "loft", "--month"]) == 0
    assert "; 2 months before: " in line_of(capsys.readouterr().out)
    assert (longest_before_days(7), longest_before_days(30)) == (28, 90)


def frames(weeks: int, hours: list[int], lux: list[float]) -> list[Sample]:
    """By quarters of an hour, newest week first; the lamp is on from midnight for so many hours."""
    return [
        Sample(
            start_ms=-at,
            time_ms=-at,
            seen={"light": lux[week] if (96 * 7 - i) % 96 < 4 * hours[week] else 0.0},
            beliefs={"lamp_on": float((96 * 7 - i) % 96 < 4 * hours[week]), "lamp_level_lx": 5000.0},
            found=(),
        )
        for week in range(weeks)
        for i in range(1, 96 * 7 + 1)
        for at in [(week * 96 * 7 + i) * 15 * MINUTE]
    ]


def test_light_of_the_weeks_before() -> None:
    before = Before({"light": seen("light")}, 0, 7, lambda ms: ms // DAY)
    for sample in frames(6, [8, 9, 10, 8, 2, 2], [5000.0, 6000.0, 5500.0, 5000.0, 1.0, 1.0]):
        before.take(sample)
    lit = before.lit()
    assert [(one.days, one.hours, one.lux) for one in lit] == [
        (7, 8.0, 5000.0), (7, 9.0, 6000.0), (7, 10.0, 5500.0), (7, 8.0, 5000.0)
    ]  # fmt: skip
    assert beside([one.hours for one in lit], lambda n: f"{n} h", 1) == "8.5 h (8.0 to 10.0 h)"
    assert [one.number for one in before.spreads("light")] == [672] * 4
    assert before.spreads("ph") == [] and before.name == "week"


def test_what_is_kept_of_a_frame_is_a_few_numbers() -> None:
    """Four weeks of minutes in five series: 8 bytes a value, so 1.6 MB."""
    before = Before({str(i): seen("light") for i in range(5)}, 0, 7, lambda ms: ms // DAY)
    for at in range(1, 28 * 1440 + 1):
        before.take(Sample(start_ms=0, time_ms=-at * MINUTE, seen={"light": 1.0}, beliefs={}, found=()))
    sizes = [
        values.buffer_info()[1] * values.itemsize for part in before._parts for values in part.values.values()
    ]
    assert sum(sizes) == 28 * 1440 * 5 * 8
