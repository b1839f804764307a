"""What was judged in the gate's runs is kept: a difference is seen, and is no other machine's."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.diagnosis.changes import Change, departs, traced
from bench.diagnosis.frozen import FROZEN, Run, differences, digest_of, load, save
from bench.diagnosis.gate import jobs
from bench.diagnosis.short_runs import SHORT_RUNS, make
from bench.diagnosis.trace import OFF_GRID, Trace, plain, rounded, shown
from rushlight.analysis.alarms.rationale import RATIONALE

RUN = "cuts-in-gaps"


def judged(folder: Path, by_readings: bool = True) -> Run:
    watch, events = traced(folder, by_readings)
    for _ in events:
        pass
    return Run(digest_of(folder), watch.trace)


class OtherMath:
    """Its functions are off by the last digit."""

    def __getattr__(self, name: str) -> object:
        exact = getattr(math, name)
        if name not in ("exp", "log", "log10", "hypot", "pow"):
            return exact
        return lambda *args: exact(*args) * (1 + 2**-52)


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short run: cuts of the mains while nobody hears of the tank."""
    folder = tmp_path_factory.mktemp("short") / RUN
    make(folder, RUN)
    return folder


def test_all_that_the_gate_judges_is_frozen() -> None:
    frozen = load(FROZEN)
    assert set(frozen) == {job[0].name for job in jobs(Path())} | {run.name for run in SHORT_RUNS}
    assert FROZEN.stat().st_size < 300_000
    raised = {event.split()[2].split("/")[0] for run in frozen.values() for event in run.trace.events}
    assert raised == set(RATIONALE)


def test_a_short_run_is_judged_as_it_was_frozen(short: Path) -> None:
    frozen = load(FROZEN)[RUN]
    assert digest_of(short) == frozen.readings
    assert differences({RUN: frozen}, {RUN: judged(short)}) == []
    assert differences({RUN: frozen}, {RUN: judged(short, by_readings=False)}) == []


def test_a_changed_number_departs_from_what_is_frozen(short: Path) -> None:
    expected = load(FROZEN)[RUN].trace
    assert departs(short, None, expected) == ""
    where = departs(short, Change("MAINS.gap_least_c", 2.0), expected)
    assert where.startswith(f"{RUN}: events, 2026-03-05T")
    assert departs(short, Change("MAINS.fallen_c", 0.2), expected) == ""  # no plug meters its heater


def test_another_machines_last_digit_makes_no_difference(
    short: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A library's exponential may be off by its last digit (glibc's manual, "Known Maximum Errors")."""
    changed = []
    for name, module in list(sys.modules.items()):
        if name.startswith("rushlight.analysis.") and hasattr(module, "math"):
            monkeypatch.setattr(module, "math", OtherMath())
            changed.append(module)
    assert len(changed) > 3 and changed[0].math.log10(7.0) != math.log10(7.0)
    assert differences({RUN: load(FROZEN)[RUN]}, {RUN: judged(short)}) == []


def test_what_was_kept_is_what_was_judged(tmp_path: Path, short: Path) -> None:
    run = judged(short)
    save(tmp_path / "frozen.json", {RUN: run, "another": Run("0", Trace())})
    assert load(tmp_path / "frozen.json") == {RUN: run, "another": Run("0", Trace())}


def test_a_difference_says_which_run_which_family_and_when() -> None:
    was = Trace(
        ["2026-03-02T10:00 raised light-missing high"],
        {"lamp": ["aa", "bb"]},
        {},
        {"lamp": {"lx": ["10", "20"]}},
    )
    now = Trace(
        ["2026-03-02T10:01 raised light-missing high"],
        {"lamp": ["aa", "cc"]},
        {},
        {"lamp": {"lx": ["10", "21"]}},
    )
    assert differences({"one": Run("0", was)}, {"one": Run("0", now)}) == [
        "one: alarm that was: 2026-03-02T10:00 raised light-missing high",
        "one: alarm that is new: 2026-03-02T10:01 raised light-missing high",
        "one: lamp, day 2: lx was 20, is 21",
    ]
    assert differences({"one": Run("0", was)}, {"one": Run("1", now)})[0] == (
        "one: its readings or settings are others than when it was frozen"
    )
    assert differences({"one": Run("0", was)}, {"one": Run("1", was)}) == []
    assert differences({"one": Run("0", was)}, {"two": Run("0", was)}) == [
        "one: is frozen and was not judged",
        "two: was judged and is not frozen",
    ]
    kept = Trace(was.events, was.days, {"lamp": ["dd"]}, was.means)
    assert differences({"one": Run("0", was)}, {"one": Run("0", kept)}) == [
        "one: lamp, day 1: what it keeps in mind; it judges as before"
    ]


@given(st.integers(-10_000_000, 10_000_000), st.sampled_from([8, 10, 16, 20, 100, 1000, 3000]))
def test_a_plain_figure_lies_on_no_edge(count: int, parts: int) -> None:
    value = count / parts
    assert rounded(value) == rounded(math.nextafter(value, math.inf)) == rounded(value * (1 - 1e-14))


def test_figures_are_shown_as_people_read_them() -> None:
    assert [shown(value) for value in (24.05, 0.0, 1e-9, 1234.0, -0.125)] == [
        "24.06",
        "0",
        "0",
        "1234",
        "-0.125",
    ]
    assert shown(38.24, 3) == "38.3" and OFF_GRID > 1
    assert plain({"b": 1.0, "a": {"y", "x"}}) == "a:(x y),b:1.000e+00"
    assert plain("water.ph") == "water.ph" and plain("a sentence of words") == ""
    assert plain(1_772_330_400_123) == plain(1_772_330_400_999) == "29538840"
