"""Hardness as a state: its error grows, tests and rests correct it, new water moves it towards the tap's.

What a mixture must be is arithmetic (alkalinity is conserved); the rest is checked against the published
equilibria by way of `carbon_dioxide_mg_l`, itself checked in test_water.py.
"""

from __future__ import annotations

import math

import pytest

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.gas.hardness import HardnessState, kh_is_the_taps
from rushlight.analysis.physics.water import carbon_dioxide_mg_l
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Reading
from rushlight.collector.settings import WaterSettings, parse_settings

DAY = 86_400_000
PH_ERROR = 0.1
BEGAN = 1_772_323_200_000  # 2026-03-01T00:00Z


def begun(**water: float | bool) -> HardnessState:
    state = HardnessState()
    state.follow(WaterSettings(**water), PH_ERROR, 0)  # type: ignore[arg-type]
    return state


def test_it_begins_with_the_test_of_the_settings_and_gives_the_co2_of_it() -> None:
    state = begun(carbonate_hardness_dkh=4.0)
    gas = state.gas(6.8, 24.0)
    assert gas.mg_l == pytest.approx(carbon_dioxide_mg_l(6.8, 4.0, 24.0), rel=0.02)
    # drop test 0.6 of 4 dKH and pH 0.1, in quadrature (GUM 5.1.2)
    assert gas.error == pytest.approx(math.hypot(0.6 / 4.0, math.log(10) * PH_ERROR), rel=0.01)
    assert not begun().known and not begun(tap_hardness_dkh=6.0).known


def test_hardness_and_conductivity_of_the_settings_reach_the_figure() -> None:
    """Checked against PHREEQC in test_water.py: the same KH holds less CO2 in water with more salts."""
    figures = {}
    for name, salts in {
        "none": {},
        "soft": {"general_hardness_dgh": 0.0},
        "hard": {"general_hardness_dgh": 20.0},
        "salty": {"conductivity_us_cm": 1200.0},
    }.items():
        state = begun(carbonate_hardness_dkh=4.0, **salts)
        figures[name] = state.gas(6.8, 24.0).mg_l
        assert figures[name] == pytest.approx(carbon_dioxide_mg_l(6.8, 4.0, 24.0, **salts), rel=0.02)  # type: ignore[arg-type]
    assert figures["hard"] < 0.97 * figures["soft"] and figures["salty"] < 0.97 * figures["none"]
    changed = begun(carbonate_hardness_dkh=4.0)
    water = WaterSettings(carbonate_hardness_dkh=4.0, general_hardness_dgh=20.0)
    changed.follow(water, PH_ERROR, 1)
    assert changed.gas(6.8, 24.0).mg_l == pytest.approx(figures["hard"], rel=1e-3)


def test_the_error_grows_with_time_faster_over_active_soil_and_a_new_test_takes_it_away() -> None:
    errors = []
    for soil in (False, True):
        water = WaterSettings(carbonate_hardness_dkh=4.0, tap_hardness_dkh=9.0, active_soil=soil)
        state = HardnessState()
        state.follow(water, PH_ERROR, 0)
        first = state.kh_error
        state.follow(water, PH_ERROR, 9 * DAY)
        assert state.kh_error > first
        errors.append(state.kh_error)
        state.hardness_tested(2.0, 9 * DAY)
        assert state.kh_error < 0.35 and abs(state.kh - 2.0) < 1.0
    assert errors[1] > 2 * errors[0]


def test_a_new_tanks_hardness_is_less_sure() -> None:
    """A random walk's variance grows by the square of its pace: half as fast again is 2.25 times."""
    for soil, steps in ((False, 0.08), (True, 0.4)):
        water, grown = WaterSettings(carbonate_hardness_dkh=4.0, active_soil=soil), []
        for first in (False, True):
            state = HardnessState()
            state.follow(water, PH_ERROR, 0, first)
            before = state.kh_error**2
            state.follow(water, PH_ERROR, DAY, first)
            grown.append(state.kh_error**2 - before)
        assert grown == [pytest.approx(steps**2), pytest.approx(2.25 * steps**2)]


def watched(started: str, days: int) -> CarbonDioxideDetector:
    text = (
        f'[tanks.nook]\nvolume_litres = 40\ntimezone = "UTC"\n{started}'
        "[tanks.nook.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 26\n"
        "[tanks.nook.water]\ncarbonate_hardness_dkh = 4\n"
    )
    watch = TankWatch("nook", parse_settings(text).tanks["nook"])
    for n in range(days * 288):
        watch.feed(Reading("nook", "ph", BEGAN + n * 300_000, 7.0 + 0.01 * (n % 3), 1, n))
    return watch.of(CarbonDioxideDetector)


def test_the_first_month_ends_with_the_thirtieth_day() -> None:
    """2026-03-01 is the watch's first day; a tank whose settings do not say is no new one."""
    old = watched("", 2).estimate.hardness
    for started, first in (("2026-03-01", True), ("2026-02-01", True), ("2026-01-30", False)):
        state = watched(f"started = {started}\n", 2).estimate.hardness
        assert state.first is first, started
        assert (state.kh_error > 1.02 * old.kh_error) is first, started
        assert state.kh == pytest.approx(old.kh)
    assert watched("started = 2026-03-09\n", 2).estimate.hardness.first is False  # yet to come


def test_an_old_test_says_less_than_one_of_today() -> None:
    water = WaterSettings(carbonate_hardness_dkh=4.0, tap_hardness_dkh=9.0, active_soil=True)
    found = []
    for at in (10 * DAY, 1 * DAY):
        state = HardnessState()
        state.follow(water, PH_ERROR, 0)
        state.follow(water, PH_ERROR, 10 * DAY)
        state.hardness_tested(1.0, at)
        found.append(state.kh)
    assert 1.0 <= found[0] < found[1] < 4.0


def test_new_water_moves_it_towards_the_taps() -> None:
    state = begun(carbonate_hardness_dkh=2.0, tap_hardness_dkh=8.0)
    state.water_changed(0.5, DAY)
    assert state.kh == pytest.approx(5.0)
    state.water_changed(1.0, DAY)
    assert state.kh == pytest.approx(8.0) and state.kh_error == pytest.approx(0.6 / 8.0, rel=0.05)
    unknown = begun(carbonate_hardness_dkh=2.0)
    before = unknown.kh_error
    unknown.water_changed(0.5, DAY)  # nobody said what came in: as likely harder as softer
    assert unknown.kh == pytest.approx(2.0) and unknown.kh_error > 0.9 * before
    unknown.water_changed(0.0, DAY)
    assert unknown.kh == pytest.approx(2.0)


def test_resting_water_shows_that_the_taps_kh_is_not_the_tanks() -> None:
    """Active soil, 8 dKH typed in from the tap, 1 dKH in the tank: three nights at rest with 2 mg/L."""
    water = WaterSettings(carbonate_hardness_dkh=8.0, tap_hardness_dkh=8.0, active_soil=True)
    assert kh_is_the_taps(water)
    assert not kh_is_the_taps(WaterSettings(carbonate_hardness_dkh=8.0, tap_hardness_dkh=8.0))
    state = HardnessState()
    state.follow(water, PH_ERROR, 0)
    rest = 7.0 + math.log10(carbon_dioxide_mg_l(7.0, 1.0, 24.0) / 2.0)
    for day in range(1, 4):
        state.follow(water, PH_ERROR, day * DAY)
        state.rested(rest, 24.0)
    # ten times the gas of the rest, at a pH lower by one
    gas = state.gas(rest - 1.0, 24.0)
    assert gas.low < 20.0 < gas.high
    assert carbon_dioxide_mg_l(rest - 1.0, 8.0, 24.0) > 5 * gas.mg_l
    # told that the tank itself has 8 dKH, the same rests can't bring it down so far
    told = HardnessState()
    told.follow(WaterSettings(carbonate_hardness_dkh=8.0), PH_ERROR, 0)
    for _ in range(3):
        told.rested(rest, 24.0)
    assert told.kh > 3 * state.kh


def test_an_electrode_that_was_set_right_leaves_the_water_as_it_was() -> None:
    state = begun(carbonate_hardness_dkh=4.0)
    before = state.gas(6.8, 24.0)
    state.rebased(0.2)
    assert state.gas(7.0, 24.0).mg_l == pytest.approx(before.mg_l) and state.kh == pytest.approx(4.0)
    # without it the same reading would be that much less gas
    assert begun(carbonate_hardness_dkh=4.0).gas(7.0, 24.0).mg_l < 0.7 * before.mg_l


def test_another_kh_in_the_settings_begins_anew_and_a_clock_put_back_does_no_harm() -> None:
    state = begun(carbonate_hardness_dkh=4.0)
    assert state.follow(WaterSettings(carbonate_hardness_dkh=7.0), PH_ERROR, DAY)
    assert state.kh == pytest.approx(7.0)
    error = state.kh_error
    state.follow(WaterSettings(carbonate_hardness_dkh=7.0), PH_ERROR, 0)
    assert state.kh_error == error
