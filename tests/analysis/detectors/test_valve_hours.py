"""A valve's hours by its clock, over midnight, too."""

from __future__ import annotations

import pytest

from rushlight.analysis.detectors.valve_hours import valve_hours
from rushlight.collector.settings import CarbonDioxideSettings


@pytest.mark.parametrize(
    ("on", "off", "minute", "is_open", "since_open", "since_shut", "opens_in", "shut_for"),
    [
        ("10:00", "18:00", 11 * 60, True, 60, 17 * 60, 23 * 60, 16 * 60),
        ("10:00", "18:00", 18 * 60, False, 8 * 60, 0, 16 * 60, 16 * 60),
        ("10:00", "18:00", 9 * 60 + 59, False, 24 * 60 - 1, 16 * 60 - 1, 1, 16 * 60),
        ("22:00", "02:00", 60, True, 3 * 60, 23 * 60, 21 * 60, 20 * 60),
        ("22:00", "02:00", 3 * 60, False, 5 * 60, 60, 19 * 60, 20 * 60),
    ],
)
def test_by_the_clock(
    on: str,
    off: str,
    minute: int,
    is_open: bool,
    since_open: int,
    since_shut: int,
    opens_in: int,
    shut_for: int,
) -> None:
    valve = valve_hours(CarbonDioxideSettings(on=on, off=off), minute)
    assert valve is not None
    assert (valve.is_open, valve.since_open, valve.since_shut) == (is_open, since_open, since_shut)
    assert (valve.opens_in, valve.shut_for, valve.open_for) == (opens_in, shut_for, 24 * 60 - shut_for)


def test_without_hours() -> None:
    assert valve_hours(None, 0) is None and valve_hours(CarbonDioxideSettings(), 0) is None
    with_hours = valve_hours(CarbonDioxideSettings(on="10:00", off="18:00"), 0)
    assert with_hours is not None and not with_hours.is_open
