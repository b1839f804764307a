"""Numbers with names: each has a unit, a meaning and a source."""

from __future__ import annotations

from typing import Annotated

import msgspec
import pytest

from rushlight.analysis.numbers import COMMON, Number, Numbers, Of


class Kettle(Numbers, frozen=True, kw_only=True):
    boils_c: Annotated[float, Of("°C", "water boils at sea level", "SI brochure, from memory")] = 100.0
    cups: Annotated[int, Of("", "so many are poured")] = 4


class Bare(Numbers, frozen=True, kw_only=True):
    named: Annotated[int, Of("", "has all that it needs")] = 1
    plain: float = 2.0


def test_a_number_says_what_it_is() -> None:
    assert Kettle().entries() == [
        Number("boils_c", 100.0, "°C", "water boils at sea level", "SI brochure, from memory"),
        Number("cups", 4, "", "so many are poured", COMMON),
    ]


def test_a_number_without_a_meaning_is_refused() -> None:
    with pytest.raises(TypeError, match=r"Bare\.plain: needs"):
        Bare().entries()


def test_a_number_does_not_change_by_accident() -> None:
    with pytest.raises(AttributeError):
        Kettle().cups = 5  # type: ignore[misc]
    assert msgspec.structs.replace(Kettle(), cups=5).cups == 5
