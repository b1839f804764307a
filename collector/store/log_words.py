"""What can be noted in the keeper's log, and its words; light to import, because the command's help does."""

from __future__ import annotations

from typing import Final, NamedTuple

__all__ = ["DONE", "TESTS", "Test"]


class Test(NamedTuple):
    """What can be tested by hand: how it is called, its unit, and what it can be."""

    title: str
    unit: str
    low: float
    high: float


# what can't be meant is refused, most often a wrong unit: common practice, no source
TESTS: Final = {
    "kh": Test("KH", "dKH", 0.0, 40.0),
    "gh": Test("GH", "dGH", 0.0, 60.0),
    "ph": Test("pH", "", 3.0, 11.0),
    "ammonia": Test("ammonia", "mg/L", 0.0, 50.0),
    "nitrite": Test("nitrite", "mg/L", 0.0, 50.0),
    "nitrate": Test("nitrate", "mg/L", 0.0, 1000.0),
}
"""By the name of its option; hardness in German degrees (1 dKH = 17.85 mg/L as CaCO3)."""

DONE: Final = {
    "dosed": "dosed",
    "fed": "fed",
    "cleaned": "cleaned",
    "calibrated": "calibrated the pH electrode",
    "refilled": "renewed the CO2: a cylinder filled, a reactor made anew",
}
"""What can be said without a figure, by the name of its option."""
