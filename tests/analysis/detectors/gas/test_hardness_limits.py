"""How far hardness moves, what tests and rests say of it, and where that ends: just inside and outside.

Least squares of independent errors are weighted by the inverse of their variances (GUM, JCGM 100:2008); how
fast tanks change is common practice, no source.
"""

from __future__ import annotations

import math
import statistics
from typing import Any

import pytest

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.estimate import GasEstimate, rested
from rushlight.analysis.detectors.gas.hardness import HardnessState
from rushlight.analysis.detectors.gas.keepers_notes import HardnessLog
from rushlight.analysis.detectors.gas.overdose import OverdoseJudge
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.estimators.daily import DailyExtremes
from rushlight.analysis.physics.carbon_dioxide import Gas
from rushlight.analysis.physics.water import air_equilibrium_mg_l, carbon_dioxide_mg_l
from rushlight.collector.settings import WaterSettings
from rushlight.collector.store.log_entry import LogEntry
from tests.analysis.detectors.gas.test_gas_limits import FED, TIMED, moment, tank_of

DAY = 86_400_000
HOUR = 3_600_000
SOIL = {"active_soil": True, "tap_hardness_dkh": 9.0}


def begun(ph_error: float = 0.1, **water: Any) -> HardnessState:
    state = HardnessState()
    state.follow(WaterSettings(**({"carbonate_hardness_dkh": 4.0} | water)), ph_error, 0)
    return state


def later(ms: int, step: int, ph_error: float = 0.1, **water: Any) -> HardnessState:
    """Followed for so long, a look each `step`."""
    state = begun(ph_error, **water)
    for at in range(step, ms + 1, step):
        state.follow(WaterSettings(**({"carbonate_hardness_dkh": 4.0} | water)), ph_error, at)
    return state


# -- how fast it moves ------------------------------------------------------------------------------


def test_how_long_a_test_is_the_better_half_of_what_is_known() -> None:
    """The variance has doubled on the fourth day, over active soil in the fourth hour."""
    for ms, step, water in ((4 * DAY, DAY, {}), (4 * HOUR, HOUR, SOIL)):
        first = begun(**water).kh_error
        assert later(ms - step, step, **water).kh_error < 2**0.5 * first
        assert later(ms, step, **water).kh_error > 2**0.5 * first


def test_between_two_looks_no_more_than_a_day_counts() -> None:
    def after(days: float) -> float:
        return later(round(days * DAY), round(days * DAY)).kh_error

    assert after(0.8) < after(0.95) < after(1.05) == after(1.4) == after(30)


def test_of_a_hardness_that_nobody_tests_for_long_all_that_is_left_is_a_factor_of_e() -> None:
    assert 1.0 <= later(60 * DAY, HOUR, **SOIL).kh_error < 1.05


def test_where_only_the_tap_is_known_it_is_anywhere_between() -> None:
    """From spent soil to the tap's, evenly in its logarithm."""
    state = begun(carbonate_hardness_dkh=None, active_soil=True, tap_hardness_dkh=4.8)
    low, high = math.log(0.3), math.log(4.8)
    evenly = [low + (high - low) * n / 10_000 for n in range(10_001)]
    assert state.kh == pytest.approx(math.exp(statistics.fmean(evenly)))
    assert state.kh_error == pytest.approx(statistics.pstdev(evenly), rel=1e-3)
    unknown: dict[str, Any] = {"carbonate_hardness_dkh": None, "active_soil": True}
    assert not begun(**unknown, tap_hardness_dkh=0.29).known
    assert begun(**unknown, tap_hardness_dkh=0.31).known


# -- what tests say ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("errors", "alone"), [(1.9, False), (2.1, True)])
def test_a_test_that_contradicts_stands_alone(errors: float, alone: bool) -> None:
    """Two standard errors of their difference: one in twenty by chance."""
    state = begun(carbonate_hardness_dkh=20.0)
    ln_kh = math.log(20.0) - errors * math.hypot(0.6 / 20.0, 0.6 / 18.8)
    kh = math.exp(ln_kh)
    state.hardness_tested(kh, 0)
    share = math.log(20.0 / state.kh) / math.log(20.0 / kh)
    assert (share > 0.98) is alone and (alone or 0.4 < share < 0.6)


def test_the_softest_and_the_hardest_that_counts() -> None:
    def tested(kh: float) -> float:
        state = HardnessState()
        state.hardness_tested(kh, 0)
        return state.mean[0]

    assert tested(0.035) == tested(0.048) < tested(0.055) < tested(0.07)

    def factor(kh: float) -> float:
        state = begun(carbonate_hardness_dkh=kh)
        return state._ln_factor(24.0)

    assert factor(30.0) > factor(38.0) > factor(42.0) == factor(55.0)


def test_no_drop_test_is_finer_than_eight_tenths_of_a_degree() -> None:
    errors = [begun(carbonate_hardness_dkh=kh).kh_error for kh in (0.5, 0.75, 0.85, 1.1)]
    assert errors[0] == errors[1] > errors[2] > errors[3]


def test_water_of_which_nobody_knows_the_hardness() -> None:
    """As likely half as hard again as half as soft."""
    state = begun()
    state.water_changed(1.0, 0)
    assert state.kh == pytest.approx(4.0) and 0.45 < state.kh_error < 0.55


def test_no_gas_is_known_better_than_to_two_in_a_hundred() -> None:
    def error(of_kh: float) -> float:
        state = begun()
        state.cov = [[of_kh**2, 0.0, 0.0], [0.0] * 3, [0.0] * 3]
        return state.gas(7.0, 24.0).error

    assert error(0.013) == error(0.018) < error(0.022) < error(0.028)


def test_twenty_notes_are_kept_to_begin_anew_with() -> None:
    log = HardnessLog()
    log.fresh = [LogEntry(tank="sill", time_ms=n * DAY, tests={"kh": 4.0}) for n in range(30)]
    log.apply(HardnessState(), began=False)
    assert [one.time_ms // DAY for one in log.entries] == list(range(10, 30))


# -- what a rest says -------------------------------------------------------------------------------


def rest_ph(mg_l: float, kh: float) -> float:
    return 7.0 + math.log10(carbon_dioxide_mg_l(7.0, kh, 24.0) / mg_l)


@pytest.mark.parametrize(("mg_l", "softer"), [(1.9, False), (2.1, True)])
def test_resting_water_holds_two_milligrams(mg_l: float, softer: bool) -> None:
    """Where it reads more than that the water is softer than was thought, or the electrode off."""
    state = begun()
    state.rested(rest_ph(mg_l, 4.0), 24.0)
    assert (state.kh < 4.0) is softer


def test_how_much_of_the_first_rest_is_the_rests_own() -> None:
    """Where KH and electrode are known, twelve thirteenths: 0.7² against 0.2² of one night."""
    state = begun(0.001, carbonate_hardness_dkh=20.0)
    state.cov[0][0] = 1e-6
    before = state.mean[2]
    state.rested(rest_ph(4.0, 20.0), 24.0)
    assert 0.9 < (state.mean[2] - before) / math.log(2) < 0.95


def test_what_a_rest_is_worth_fades_in_weeks() -> None:
    """After sixteen days one night says as much as all before: 0.05² a day against 0.2²."""
    state = begun(0.001, carbonate_hardness_dkh=20.0)
    water = WaterSettings(carbonate_hardness_dkh=20.0)
    for day in range(1, 17):
        state.cov[2][2] = state.cov[2][2] if day > 1 else 0.0
        state.follow(water, 0.001, day * DAY)
        state.cov[0][0] = state.cov[1][1] = 1e-9
    before = state.mean[2]
    state.rested(rest_ph(4.0, 20.0), 24.0)
    assert 0.45 < (state.mean[2] - before) / math.log(2) < 0.55


def resting(minute: float, slope: float = 0.0, off: str = "18:00") -> bool:
    about: Moment = moment(minute)
    return rested(tank_of(TIMED.replace('off = "18:00"', f'off = "{off}"')), about, PhCurve(slope=slope))


def test_when_water_is_at_rest() -> None:
    """In the ten minutes before ten o'clock, six hours after the gas, and flat."""
    assert not resting(590) and resting(591) and resting(600) and not resting(601)
    assert resting(595, 0.048) and not resting(595, 0.052)
    assert resting(595, off="04:00") and not resting(595, off="04:01")


# -- by a degassed pH, and by what the fish live with -----------------------------------------------


def lived(low: float = 6.8) -> PhCurve:
    return PhCurve(extremes=DailyExtremes(lows=[low] * 3, highs=[7.4] * 3), ph=low)


def test_what_the_fish_have_lived_with() -> None:
    """From half of the limit to just under it, one standard error either way; at its middle 0.7 of it."""
    gas = GasEstimate().at(tank_of(FED), lived(), 6.8, 24.0)
    assert gas is not None and 0.48 < gas.low / 30 < 0.5 and 0.97 < gas.high / 30 < 1


def degassed(ph: float, figure: float, highs: list[float]) -> Gas:
    curve = PhCurve(extremes=DailyExtremes(lows=[6.5] * len(highs), highs=highs))
    return GasEstimate._by_degassed(curve, figure, ph, 24.0)


def test_water_left_standing_in_a_room_or_before_the_gas_comes_on() -> None:
    """Rooms that are lived in hold one and a half times the open air's CO2, from 500 to 800 ppm of 420."""
    aired = degassed(7.6, 7.6, [7.14] * 2)
    assert 500 / 420 < aired.mg_l / air_equilibrium_mg_l(24.0) < 800 / 420
    before = degassed(7.6, 7.6, [7.16] * 2)
    assert before.mg_l > 2 * aired.mg_l
    # with one day it may be either: as far from both, with an error that reaches them
    either = degassed(7.6, 7.6, [7.4])
    assert either.mg_l == pytest.approx(math.sqrt(aired.mg_l * before.mg_l))
    apart = math.log(before.mg_l / either.mg_l)
    assert either.error == pytest.approx(math.hypot(apart, aired.error), rel=0.1)
    assert aired.error == before.error < either.error


def test_a_degassed_ph_is_too_rough_for_a_forecast() -> None:
    gas = degassed(6.9, 8.0, [7.9] * 2)
    curve = PhCurve(ph=6.5, fall=1.0)
    assert not OverdoseJudge._through(20.0, curve, Gas(29.0, gas.error), 7.0)
    assert OverdoseJudge._through(20.0, curve, Gas(29.0, 0.8 * gas.error), 7.0)


def test_what_moves_in_days_is_moved_on_each_hour() -> None:
    water = WaterSettings(carbonate_hardness_dkh=4.0)
    state = HardnessState()
    assert state.follow(water, 0.1, HOUR)
    for minute, moved in ((59, 0), (60, 60), (119, 60), (120, 120)):
        assert not state.follow(water, 0.1, HOUR + minute * HOUR // 60)
        assert state.at_ms == HOUR + moved * HOUR // 60
    # an error of the electrode that has grown counts at once
    before = state.cov[1][1]
    state.follow(water, 0.2, 4 * HOUR)
    assert state.cov[1][1] > before


@pytest.mark.parametrize("kh", [1.0, 4.0, 12.0])
def test_between_whole_degrees_co2_is_straight(kh: float) -> None:
    """To two ten-thousandths of what the carbonate equilibria give, which test_water.py checks."""
    water = WaterSettings(carbonate_hardness_dkh=kh)
    state = HardnessState()
    state.follow(water, 0.1, HOUR)
    for celsius in (0.5, 14.3, 23.5, 24.0, 29.9):
        exact = carbon_dioxide_mg_l(7.0, kh, celsius)
        assert state.gas(7.0, celsius).mg_l == pytest.approx(exact, rel=2e-4)
        assert carbon_dioxide_mg_l(7.0, kh, celsius + 1.0) < 0.9998 * exact
