"""Every number of the lamp family has a name, and says what it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from rushlight.analysis.detectors.lamp import numbers
from rushlight.analysis.numbers import Numbers
from tests.analysis.bare_numbers import bare_numbers


def test_no_number_of_the_family_is_without_a_name() -> None:
    assert bare_numbers(Path(numbers.__file__).parent.glob("*.py")) == []


@pytest.mark.parametrize("name", numbers.__all__)
def test_each_has_a_unit_a_meaning_and_a_source(name: str) -> None:
    group = getattr(numbers, name)
    assert isinstance(group, Numbers)
    ends = {"lx": "_lx", "min": ("_min", "_minutes"), "h": "_h", "d": ("_d", "_days")}
    for number in group.entries():  # raises where one of them is missing
        assert number.name.endswith(ends.get(number.unit, "")), number.name
