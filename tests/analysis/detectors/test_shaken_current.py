"""An electrode that leapt once and shakes since is said to be in a current within the hour and a half.

The tank and its noise are made up: common practice, no source.
"""

from __future__ import annotations

import random

import pytest

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.gas.test_surge import DAY_S, DAYS, HOUR_S, SETTINGS, readings

BEGIN = DAYS * DAY_S + 15 * HOUR_S


def raised(leap: float, noise: float, minutes: int, falls: float = 0.0) -> dict[str, float]:
    """Minutes after the leap by alarm; it lasts so many, and pH `falls` by so much after 80 minutes."""
    rng, found = random.Random(8), dict[str, float]()
    watch = TankWatch("shelf", parse_settings(SETTINGS).tanks["shelf"])
    for reading in readings(60, 0.3, 1.0, 10**9, BEGIN + 150 * 60):
        since = reading.time_ms / 60_000 - BEGIN / 60
        if reading.quantity == "ph" and reading.value is not None and 0 <= since < minutes:
            reading.value = round(reading.value - leap + rng.gauss(0, noise), 2)
            reading.value -= falls * max(0.0, min(1.0, (since - 80) / 40))
        for event in watch.feed(reading):
            assert since >= 0, event
            if event.event == "raised":
                found.setdefault(event.alarm, since)
    return found


def test_a_leap_that_shakes_for_an_hour_is_a_current() -> None:
    found = raised(0.6, 0.06, 150)
    assert list(found) == ["stray-current-suspected"] and 60 < found["stray-current-suspected"] < 90
    # its twin: a leap to a level that is calm is no current, and may be acid or gas
    assert list(raised(0.6, 0.0, 150)) == ["co2-overdose"]


@pytest.mark.parametrize(("minutes", "seen"), [(50, False), (90, True)])
def test_hands_at_the_electrode_are_no_current(minutes: int, seen: bool) -> None:
    assert ("stray-current-suspected" in raised(0.6, 0.06, minutes)) is seen


def test_gas_that_comes_while_it_shakes_is_told() -> None:
    """It falls by as much again: six times the gas."""
    assert "co2-overdose" not in raised(0.6, 0.06, 150)
    assert 80 < raised(0.6, 0.06, 150, falls=0.8)["co2-overdose"] < 125
