"""Every number of the doubts about the lamp's hours and the setpoint has a name, and says what it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from rushlight.analysis.detectors.doubts import lamp_hours, numbers, setpoint
from rushlight.analysis.numbers import Numbers
from tests.analysis.bare_numbers import bare_numbers


def test_no_number_of_them_is_without_a_name() -> None:
    assert bare_numbers(Path(str(module.__file__)) for module in (lamp_hours, numbers, setpoint)) == []


@pytest.mark.parametrize("name", numbers.__all__)
def test_each_has_a_unit_a_meaning_and_a_source(name: str) -> None:
    group = getattr(numbers, name)
    assert isinstance(group, Numbers)
    ends = {"°C": "_c", "min": "_min", "W": "_w", "d": "_days"}
    for number in group.entries():  # raises where one of them is missing
        assert number.name.endswith(ends.get(number.unit, "")), number.name
