"""The search for numbers without a name, on made-up source."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.analysis.bare_numbers import bare_numbers, bare_numbers_of

ALLOWED = '''
"""A kettle of 3 litres, 7 cups."""
from typing import Annotated

class KettleNumbers(Numbers, frozen=True, kw_only=True):
    boils_c: Annotated[float, Of("°C", "it boils", "SI, 5")] = 99.97
    longest_ms: Annotated[int, Of("ms", "so long")] = 7 * 60_000

KETTLE = KettleNumbers()

def warm(cups: list[float], ms: int, lit: bool = False) -> str:
    hours = ms / 3_600_000 + 24 * 60 + (ms % 1440)
    share = 100 * cups[3] / max(1, -1, 2.0, 0.0)
    ends = cups[-3:] + cups[:8:2]
    whole, rest = divmod(ms, 60)
    dose = 10**cups[0] * math.log(10) + hours ** (1 / 3) + share**3
    return f"{dose:6.3f} {round(dose, 4)} {KETTLE.boils_c * True}"
'''


def test_numbers_that_need_no_name_are_left_alone() -> None:
    assert bare_numbers_of(ALLOWED) == []


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("x = 5", ["1: 5"]),
        ("x = -0.3", ["1: 0.3"]),
        ("\nif x > 0.25 + y: pass", ["2: 0.25"]),
        ("if x > 60: pass", ["1: 60"]),  # compared with: no unit is converted there
        ("x = 24", ["1: 24"]),
        ("x = 20 * 60_000", ["1: 20"]),
        ("def f(x: float = 0.7) -> None: pass", ["1: 0.7"]),
        ("x = msgspec.field(default_factory=lambda: Window(37))", ["1: 37"]),
        ("x = y[:-60]", ["1: 60"]),
        ("x = y[len(y) - 4]", ["1: 4"]),
        ("x = round(4.5, 1)", ["1: 4.5"]),
        ("x = 14.0 * y ** 3", ["1: 14.0"]),
        ("x = y ** (z + 3)", ["1: 3"]),
        ("x = f'{y + 3.5:.1f}'", ["1: 3.5"]),
        ("class Kettle(Struct):\n    cups: int = 4", ["2: 4"]),
        ("x = (3, 6)", ["1: 3", "1: 6"]),
    ],
)
def test_a_number_without_a_name_is_found(code: str, found: list[str]) -> None:
    assert bare_numbers_of(code) == found


def test_files_are_named_and_none_at_all_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "kettle.py").write_text("x = 7\n", "utf-8")
    (tmp_path / "cup.py").write_text(ALLOWED, "utf-8")
    assert bare_numbers(tmp_path.glob("*.py")) == ["kettle.py:1: 7"]
    with pytest.raises(ValueError, match="no files"):
        bare_numbers(tmp_path.glob("*.txt"))
