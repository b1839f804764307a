"""The diagnosis gate: a fixed set of runs, and floors that a figure may not fall under."""

from __future__ import annotations

import collections
import tomllib
from pathlib import Path

from bench.diagnosis.gate import EACH, FLOORS, NOMINAL, jobs, shortfalls
from bench.diagnosis.score import summarise
from rushlight.analysis.alarms.rationale import RATIONALE

TOTAL = {"harmful_detected": 0.9, "named": None, "false_per_tank_week": 0.2}


def test_a_figure_at_its_floor_passes_and_one_below_is_named() -> None:
    passing = {"at_least": {"harmful_detected": 0.9}, "at_most": {"false_per_tank_week": 0.2}}
    assert shortfalls(TOTAL, passing) == []
    failing = {"at_least": {"harmful_detected": 0.91}, "at_most": {"false_per_tank_week": 0.19}}
    assert shortfalls(TOTAL, failing) == [
        "harmful_detected is 0.9, the floor is 0.91",
        "false_per_tank_week is 0.2, the ceiling is 0.19",
    ]


def test_a_figure_that_could_not_be_had_fails() -> None:
    assert shortfalls(TOTAL, {"at_least": {"named": 0.1}, "at_most": {}})


def test_the_set_has_each_alarm_and_quiet_tanks() -> None:
    kinds = collections.Counter(job[4] for job in jobs(Path("runs")))
    assert kinds == dict.fromkeys(RATIONALE, EACH) | {"nominal": NOMINAL}
    assert len({job[0] for job in jobs(Path("runs"))}) == sum(kinds.values()) == 40


def test_the_floors_are_figures_of_the_summary() -> None:
    floors = tomllib.loads(FLOORS.read_text(encoding="utf-8"))
    figures = summarise([])
    assert set(floors["at_least"]) | set(floors["at_most"]) <= set(figures)
    assert floors["at_least"]["harmful_detected"] > 0.9 and floors["at_most"]["false_per_tank_week"] < 0.1
