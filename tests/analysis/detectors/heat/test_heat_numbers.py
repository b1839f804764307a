"""Each number of the heat family has a name. What they are for: test_heater_limits.py and its neighbours."""

from __future__ import annotations

from pathlib import Path

from rushlight.analysis.detectors.heat import numbers
from rushlight.analysis.estimators import thermal_model
from tests.analysis.bare_numbers import bare_numbers


def test_every_number_has_a_name() -> None:
    assert bare_numbers(Path(numbers.__file__).parent.glob("*.py")) == []
    assert bare_numbers([Path(thermal_model.__file__)]) == []
