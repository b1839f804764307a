"""What follows numbers without judging anew, on numbers of which the answer is known."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from bench.diagnosis.edges import FollowedFloat, FollowedInt, following
from rushlight.analysis.detectors.heat.numbers import HEAT
from rushlight.analysis.detectors.power.numbers import MAINS

ROOT = Path(__file__).parents[2]
STEP = ("HEAT.step_c", HEAT.step_c)
OUT = ("MAINS.out_min", float(MAINS.out_min))


def test_a_comparison_that_would_turn_out_otherwise_is_an_edge() -> None:
    with following([STEP]) as seen:
        assert HEAT.step_c * 0.5 < 10 and not seen  # nor by a half more of it
        assert HEAT.step_c > 0.2  # 0.25; scaled down it is 0.15
        assert seen == {("HEAT.step_c", 0)}
        assert 2 * HEAT.step_c + 1 < 1.7
        assert seen == {("HEAT.step_c", 0), ("HEAT.step_c", 1)}
    assert type(HEAT.step_c) is float


def test_a_figure_that_would_be_written_otherwise_is_an_edge() -> None:
    with following([STEP]) as seen:
        assert f"{HEAT.step_c:.0f}" == "0" and not seen
        assert f"{HEAT.step_c:.2f}" == "0.25" and len(seen) == 2


def test_numbers_stay_what_they_are() -> None:
    with following([STEP, ("MAINS.out_min", MAINS.out_min)]):
        assert isinstance(HEAT.step_c, FollowedFloat) and isinstance(MAINS.out_min, FollowedInt)
        assert HEAT.step_c == 0.25 and round(HEAT.step_c * 100) == 25 and MAINS.out_min // 3 == 2
        assert list(range(MAINS.out_min)) == list(range(8)) and {MAINS.out_min: 1}[8] == 1


def test_tests_that_notice_a_number_and_tests_that_do_not() -> None:
    for tests, noticed in (("test_thermal_limits", "2 of 2"), ("test_rests", "0 of 2")):
        path = f"tests/analysis/estimators/{tests}.py"
        command = [sys.executable, "-m", "bench.diagnosis.number_tests", "--number", "THERMAL.slopes_least"]
        done = subprocess.run([*command, path], cwd=ROOT, capture_output=True, text=True, check=True)
        assert f"{noticed} noticed" in done.stdout
