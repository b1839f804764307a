"""The gas family, the water's physics and the doubts about KH have no number without a name."""

from __future__ import annotations

from pathlib import Path

import pytest

from rushlight.analysis.detectors.doubts import water_numbers
from rushlight.analysis.detectors.gas import numbers as gas_numbers
from rushlight.analysis.detectors.gas import (
    shaken_electrode_numbers,
    slope_noise_numbers,
    surge_numbers,
    valve_open_numbers,
)
from rushlight.analysis.numbers import Numbers
from rushlight.analysis.physics import numbers as physics_numbers
from tests.analysis.bare_numbers import bare_numbers, bare_numbers_of

ANALYSIS = Path(__file__).parents[4] / "analysis"
PHYSICS = ANALYSIS / "physics"
DOUBTS = ANALYSIS / "detectors" / "doubts"
PUBLISHED = ("water.py", "buffers.py", "plant_light.py")
MODULES = [
    *(ANALYSIS / "detectors" / "gas").glob("*.py"),
    # coefficients of published formulas and tables stay there: test_water.py, test_calibrate.py and
    # test_report.py hold them to their sources
    *(path for path in PHYSICS.glob("*.py") if path.name not in PUBLISHED),
    *(DOUBTS / name for name in ("detector.py", "hardness.py", "resting_water.py", "water_numbers.py")),
]


def test_every_number_has_a_name() -> None:
    assert len(MODULES) > 15
    assert bare_numbers(MODULES) == []
    with_one = (
        (ANALYSIS / "detectors" / "gas" / "curve.py").read_text("utf-8").replace("CURVE.step_ph", "0.05", 1)
    )
    assert [found.split()[-1] for found in bare_numbers_of(with_one)] == ["0.05"]


@pytest.mark.parametrize(
    "module",
    [
        gas_numbers,
        slope_noise_numbers,
        surge_numbers,
        shaken_electrode_numbers,
        valve_open_numbers,
        physics_numbers,
        water_numbers,
    ],
)
def test_every_name_has_a_unit_a_meaning_and_a_source(module: object) -> None:
    structs = [value for value in vars(module).values() if isinstance(value, Numbers)]
    assert structs
    for struct in structs:
        assert struct.entries()
