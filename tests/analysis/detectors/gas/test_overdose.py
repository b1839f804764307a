"""The forecast of an overdose: a usual day is no surge, a real one is told ahead, growth from day to day too.

Sequences are made up (common practice, no source). The figure the estimate is held to is the carbonate
equilibrium of Plummer & Busenberg 1982 by way of `rushlight.analysis.physics.water`, itself checked in
test_water.py."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.collector.settings import parse_settings

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


def surge(since: int) -> float:
    """By how much too much gas lowers the pH, minutes after it began: the fault of the twins."""
    return 0.9 * (1 - math.exp(-since / 120)) if since >= 0 else 0.0


def run(
    curve: Callable[[int], float | None],
    minutes: int,
    settings: str = SETTINGS,
    stepped: Callable[[int], float] = lambda at: 0.0,
) -> list[tuple[int, float]]:
    """(minute, mg/L) of each raising; `curve` gives the pH at a minute after local midnight."""
    tank = Tank("shelf", parse_settings(settings).tanks["shelf"])
    detector = CarbonDioxideDetector()
    said: list[tuple[int, float]] = []
    active: set[str] = set()
    for at in range(START, START + minutes):
        frame = Frame(at * MINUTE, (at + 1) * MINUTE, 24.0, None, curve(at), None, None, {})
        moment = Moment(frame, at // DAY, float(at % DAY), at % 5 == 4, active)
        moment.current.ph_stepped = stepped(at)
        found = {f.alarm: f for f in detector.update(tank, moment)}
        over = found.get("co2-overdose")
        if over is not None and "co2-overdose" not in active and not over.holding:
            said.append((at, over.value or 0.0))
        active = {"co2-overdose"} if over is not None and ("co2-overdose" in active or said) else set()
    return said


@pytest.mark.parametrize("settling", [0.0, 0.25, 0.5])
def test_a_tank_that_had_not_settled_when_its_first_reading_came(settling: float) -> None:
    """The hour of the first reading is a false step in the usual curve: no gas."""

    def curve(at: int) -> float:
        return usual(at) + settling * math.exp(-(at - START) / 120)

    assert run(curve, 6 * DAY) == []
    said = run(lambda at: curve(at) - surge(at - 5 * DAY - 22 * 60), 6 * DAY)
    assert said and said[0][0] > 5 * DAY + 22 * 60


@pytest.mark.parametrize("day", [2, 4])
def test_a_surge_at_night_is_reported_while_it_is_still_below_the_limit(day: int) -> None:
    begin = day * DAY + 22 * 60

    def curve(at: int) -> float:
        return usual(at) - (0.0 if at < begin else 0.9 * (1 - math.exp(-(at - begin) / 120)))

    said = run(curve, (day + 1) * DAY)
    assert said and begin < said[0][0] < begin + 180
    assert said[0][1] < LIMIT


def test_growth_by_a_tenth_a_day_is_reported() -> None:
    """10 % more CO2 is log10(1.1) = 0.041 pH a day: the learnt lowest follows, the estimate does not."""

    def curve(at: int) -> float:
        days = max(0, at // DAY - 3)
        return usual(at) - math.log10(1.1) * days * (7.3 - usual(at)) / 0.55

    said = run(curve, 14 * DAY)
    assert said
    # within a standard error of the KH-based figure (23 % of pH, 15 % of KH): told before harm, or soon after
    assert said[0][1] < 1.1 * LIMIT


def test_a_valve_that_sticks_open_is_reported_while_it_is_still_below_the_limit() -> None:
    """No gas goes out at night: the pH creeps on below the usual lowest, and far below that of the hour."""
    begin = 4 * DAY + 18 * 60

    def curve(at: int) -> float:
        return usual(at) if at < begin else 6.75 - 0.22 * (1 - math.exp(-(at - begin) / 240))

    said = run(curve, 5 * DAY)
    assert said and begin < said[0][0]
    assert said[0][1] < LIMIT


@pytest.mark.parametrize("hardness", [3.0, 4.0, 6.5])
def test_a_hardness_that_is_far_off_in_the_settings_is_outweighed_by_what_the_fish_live_with(
    hardness: float,
) -> None:
    """6.5 dKH at pH 6.75 would be 34 mg/L every day; the surge of the last night is told all the same."""
    begin = 6 * DAY + 22 * 60

    def curve(at: int) -> float:
        return usual(at) - (0.0 if at < begin else 0.9 * (1 - math.exp(-(at - begin) / 120)))

    said = run(curve, 7 * DAY, SETTINGS.replace("4.0", f"{hardness}"))
    assert said and begin < said[0][0] < begin + 240
    assert [at for at, _ in said if DAY + START < at < begin] == []


def test_an_odd_day_leaves_no_hump_in_the_usual_curve() -> None:
    """The pH of one forenoon was held up by a water change; where that ends, the next days look like gas."""

    def curve(at: int) -> float:
        odd = at // DAY in (1, 3) and 600 <= at % DAY < 780
        return usual(at) + (0.45 if odd else 0.0) - (0.03 if at // DAY in (2, 4) else 0.0)

    assert run(curve, 6 * DAY) == []
    said = run(lambda at: curve(at) - surge(at - 5 * DAY - 22 * 60), 6 * DAY)
    assert said and said[0][0] > 5 * DAY + 22 * 60


def test_an_electrode_set_right_is_no_gas_and_a_surge_after_it_is_reported() -> None:
    """A tenth lower after ten minutes out of the water: what is usual moves along, from then on."""
    out = 4 * DAY + 20 * 60
    surge = 6 * DAY + 22 * 60

    def curve(at: int) -> float | None:
        if out <= at < out + 12:
            return None
        ph = usual(at) - (0.12 if at >= out else 0.0)
        return ph - (0.9 * (1 - math.exp(-(at - surge) / 120)) if at >= surge else 0.0)

    said = run(curve, 7 * DAY)
    assert said and surge < said[0][0] < surge + 240


def test_fresh_water_that_lifted_the_ph_is_not_taken_for_an_electrode_that_reads_high() -> None:
    """Water without CO2 lifts the pH in a step; taking the step off again would make gas of what is gone."""
    change = 4 * DAY + 12 * 60

    def lifted(at: int) -> float:
        return 0.35 * math.exp(-(at - change) / 300) if at >= change else 0.0

    def stepped(at: int) -> float:
        return 0.35 * max(0.0, min(1.0, 1.5 - (at - change) / DAY)) if at >= change else 0.0

    assert run(lambda at: usual(at) + lifted(at), 7 * DAY, stepped=stepped) == []
    begin = 5 * DAY + 22 * 60
    said = run(lambda at: usual(at) + lifted(at) - surge(at - begin), 7 * DAY, stepped=stepped)
    assert said and begin < said[0][0] < begin + 240


@pytest.mark.parametrize("profile", [DailyProfile(), DailyProfile(centre="median")])
def test_a_usual_value_may_ask_for_days(profile: DailyProfile) -> None:
    for minute in range(0, DAY + 150, 5):
        profile.add(minute % DAY, 7.0, learn=True)
    assert profile.at(600.0) == pytest.approx(7.0)
    assert profile.at(600.0, 2) is None
    assert profile.at(45.0, 2) == pytest.approx(7.0)


def test_one_odd_day_of_three_does_not_bend_the_usual_day() -> None:
    day = DailyProfile(centre="median")
    for at in range(0, 3 * DAY + 60, 5):
        day.add(at % DAY, 7.4 if at // DAY == 1 and at % DAY >= 600 else 7.0, learn=True)
        if at == 2 * DAY + 55:
            assert day.at(900.0) == pytest.approx(7.4)  # of two days the newer: the first may not be at rest
    assert day.at(900.0) == pytest.approx(7.0)
