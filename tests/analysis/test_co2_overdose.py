"""The forecast of an overdose: a usual day is no surge, a real one is told ahead, growth from day to day too.

Sequences are made up (common practice, no source). The figure the estimate is held to is the carbonate
equilibrium of Plummer & Busenberg 1982 by way of `analysis.water`, itself checked in test_water.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from analysis.detectors.base import Moment, Tank
from analysis.detectors.carbon_dioxide import CarbonDioxideDetector
from analysis.frames import Frame
from analysis.trend import DailyProfile
from collector.settings import parse_settings

MINUTE = 60_000
DAY = 1440
LIMIT = 30.0
START = 7 * 60 + 50  # local minute of the first reading; the valve opens a little later

SETTINGS = """
[tanks.shelf]
volume_litres = 60
timezone = "UTC"
[tanks.shelf.water]
carbonate_hardness_dkh = 4.0
[tanks.shelf.livestock]
temperature_low_c = 18.0
temperature_high_c = 30.0
co2_limit_mg_l = 30.0
[tanks.shelf.co2]
source = "cylinder"
"""


def usual(minute: int) -> float:
    """A valve-timed day: pH 7.3 at rest, falling from 8 h to 6.75, back from 18 h on."""
    hour = minute % DAY / 60
    gassed = 1 - math.exp(-(hour - 8) / 1.5) if 8 <= hour < 18 else math.exp(-((hour - 18) % 24) / 2)
    return 7.3 - 0.55 * gassed


def run(curve: Callable[[int], float], minutes: int) -> list[tuple[int, float]]:
    """(minute, mg/L) of each raising; `curve` gives the pH at a minute after local midnight."""
    tank = Tank("shelf", parse_settings(SETTINGS).tanks["shelf"])
    detector = CarbonDioxideDetector()
    told: list[tuple[int, float]] = []
    active: set[str] = set()
    for at in range(START, START + minutes):
        frame = Frame(at * MINUTE, (at + 1) * MINUTE, 24.0, None, curve(at), None, None, {})
        moment = Moment(frame, at // DAY, float(at % DAY), at % 5 == 4, active, set())
        found = {f.alarm: f for f in detector.update(tank, moment)}
        over = found.get("co2-overdose")
        if over is not None and "co2-overdose" not in active and not over.holding:
            told.append((at, over.value or 0.0))
        active = {"co2-overdose"} if over is not None and ("co2-overdose" in active or told) else set()
    return told


@pytest.mark.parametrize("settling", [0.0, 0.25, 0.5])
def test_a_tank_that_had_not_settled_when_its_first_reading_came(settling: float) -> None:
    """The hour of the first reading is a false step in the usual curve: no gas."""

    def curve(at: int) -> float:
        return usual(at) + settling * math.exp(-(at - START) / 120)

    assert run(curve, 6 * DAY) == []


@pytest.mark.parametrize("day", [2, 4])
def test_a_surge_at_night_is_told_while_it_is_still_below_the_limit(day: int) -> None:
    begin = day * DAY + 22 * 60

    def curve(at: int) -> float:
        return usual(at) - (0.0 if at < begin else 0.9 * (1 - math.exp(-(at - begin) / 120)))

    told = run(curve, (day + 1) * DAY)
    assert told and begin < told[0][0] < begin + 180
    assert told[0][1] < LIMIT


def test_growth_by_a_tenth_a_day_is_told() -> None:
    """10 % more CO2 is log10(1.1) = 0.041 pH a day: the learnt lowest follows, the estimate does not."""

    def curve(at: int) -> float:
        days = max(0, at // DAY - 3)
        return usual(at) - math.log10(1.1) * days * (7.3 - usual(at)) / 0.55

    told = run(curve, 14 * DAY)
    assert told
    # by then even an estimate that errs by 1.6 standard errors (55 % here) is past the limit
    assert told[0][1] < 1.6 * LIMIT


def test_a_usual_value_may_ask_for_days() -> None:
    profile = DailyProfile()
    for minute in range(0, DAY + 150, 5):
        profile.add(minute % DAY, 7.0, learn=True)
    assert profile.at(600.0) == pytest.approx(7.0)
    assert profile.at(600.0, 2) is None
    assert profile.at(45.0, 2) == pytest.approx(7.0)
