"""How a link does, as people are told it."""

from __future__ import annotations

import pytest

from rushlight.analysis.views.fact_types import _FAULTS, LinkFacts
from rushlight.analysis.views.facts import _FAULT_COUNTERS


@pytest.mark.parametrize(
    ("age_ms", "came"),
    [
        (None, "nothing came since the service started"),
        (24_000, "reports come in"),
        (7_200_000, "last report 2 h ago"),
    ],
)
def test_counters_that_are_half_a_minute_old_are_not_said_to_the_second(
    age_ms: int | None, came: str
) -> None:
    """ "last report 24 s ago" stood beside a value of "4 s ago"."""
    assert LinkFacts(name="b", delivered=9, age_ms=age_ms, faults={}).words == f"9 received, {came}"


def test_each_counter_has_words() -> None:
    assert set(_FAULTS) == set(_FAULT_COUNTERS)
    link = LinkFacts(name="b", delivered=9, age_ms=0, faults={"torn": 1, "lost": 2})
    assert link.words == "9 received, reports come in, 1 cut short, 2 times cut off"
