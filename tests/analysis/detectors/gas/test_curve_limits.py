"""Where the rules of the pH curve begin: spans, steps, gaps, lifts and creeps just inside and just outside.

Values are given to the curve as they are. The figures are common practice, no source; where one follows from
arithmetic or from the normal distribution, it is worked out here.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable

import pytest

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.gas.judged import judged_by
from rushlight.analysis.detectors.gas.overdose import OverdoseJudge
from rushlight.analysis.estimators.daily import DailyExtremes
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.physics.carbon_dioxide import Gas
from tests.analysis.detectors.gas.test_gas_limits import BEGAN, FED, LIMITS, MINUTE, after, moment, tank_of

DAY = 1440


def fed(
    course: Callable[[int], float], minutes: int, curve: PhCurve | None = None, begin: int = 0
) -> PhCurve:
    """A curve that was given a value every five minutes."""
    curve = curve or PhCurve()
    for minute in range(begin, begin + minutes, 5):
        curve.add(moment(minute), course(minute), True)
    return curve


def held(*values: float, every: int = 5, gaps: dict[int, int] | None = None) -> Window:
    """Five-minute values; `gaps`: how many minutes lie before the value of that place."""
    window, minute = Window(100), 0
    for n, value in enumerate(values):
        minute += (gaps or {}).get(n, every) if n else 0
        window.add(BEGAN + minute * MINUTE, value)
    return window


# -- what is kept -----------------------------------------------------------------------------------


def test_three_hours_of_ph_and_six_of_departures_are_kept() -> None:
    curve = fed(lambda _: 7.0, 2 * DAY)
    assert curve.window.times[-1] - curve.window.times[0] == 3 * 60 * MINUTE
    assert curve.residuals.times[-1] - curve.residuals.times[0] == 6 * 60 * MINUTE
    assert PhCurve().ph == 7.0  # neutral water: half of pKw at 25 °C, 14.00 (CRC Handbook, from memory)


@pytest.mark.parametrize(("values", "counts"), [(188, False), (192, True)])
def test_how_much_of_a_day_makes_a_day(values: int, counts: bool) -> None:
    """Two thirds of 288 five-minute values."""
    curve = fed(lambda _: 7.0, 5 * values)
    curve.add(moment(DAY + 5), 7.0, True)
    assert (curve.usual_low is not None) is counts


def test_a_hand_in_the_tank_spoils_no_day_and_is_not_learnt_from() -> None:
    """Four hours a day of it, pH at 6; water that is not the tank's own for as long spoils the day."""

    def days(usual: bool) -> PhCurve:
        curve = PhCurve()
        for minute in range(0, 2 * DAY + 5, 5):
            odd = minute % DAY < 240
            curve.add(moment(minute), 6.0 if odd else 7.0, usual or not odd, odd)
        return curve

    assert days(True).usual_low == 7.0 and days(True).profile.usual[2] == 0.0
    assert days(False).usual_low is None


def test_a_slope_is_over_half_an_hour_or_at_the_beginning_over_a_quarter() -> None:
    for flat, none in ((30, True), (25, False)):
        curve = fed(lambda minute, flat=flat: 7.0 + max(0, 100 - flat - minute) / 100, 105)  # type: ignore[misc]
        assert (curve.slope is not None and abs(curve.slope) < 1e-9) is none
    assert fed(lambda _: 7.0, 15).slope is None and fed(lambda _: 7.0, 20).slope is not None


def test_whether_resting_water_is_flat_is_seen_over_two_hours() -> None:
    for flat, none in ((120, True), (110, False)):
        detector, about = CarbonDioxideDetector(), moment(0)
        detector.curve.window = held(*(7.0 + max(0, 150 - flat - minute) for minute in range(0, 155, 5)))
        about.gas = detector._facts(tank_of(), about)
        assert about.gas.slope_2h is not None and (abs(about.gas.slope_2h) < 1e-9) is none


# -- frames into values -----------------------------------------------------------------------------


def frames(detector: CarbonDioxideDetector, *ph: float | None, begin: int = 0, more: str = LIMITS) -> None:
    """A frame a minute; every fifth ends a value."""
    for n, value in enumerate(ph, begin):
        about = moment(n, ph=value)
        about.fifth = n % 5 == 4
        detector.update(tank_of(more), about)


def test_a_value_is_the_median_of_five_minutes() -> None:
    detector = CarbonDioxideDetector()
    frames(detector, 9.0, 9.0, 9.0, 7.0, 7.0, 7.0, 8.0, 8.0, begin=2)
    assert detector.curve.ph == 7.0  # of the last three 8, of the last eight 8, too


@pytest.mark.parametrize(("gap", "left"), [(4, 4), (5, 1)])
def test_no_median_across_a_gap(gap: int, left: int) -> None:
    detector = CarbonDioxideDetector()
    frames(detector, 7.0, 7.0, 7.0)
    frames(detector, 7.0, begin=2 + gap)
    assert len(detector.block.values) == left


@pytest.mark.parametrize(("gap", "anew"), [(20, False), (21, True)])
def test_after_how_long_a_gap_the_curve_begins_anew(gap: int, anew: bool) -> None:
    detector = CarbonDioxideDetector()
    frames(detector, *[7.0] * 30)
    kept = len(detector.curve.window.values)
    frames(detector, 7.0, begin=29 + gap)
    assert (len(detector.curve.window.values) < kept) is anew


@pytest.mark.parametrize(("minutes", "anew"), [(30, False), (31, True)])
def test_how_long_an_old_ph_is_judged_by(minutes: int, anew: bool) -> None:
    detector = CarbonDioxideDetector()
    frames(detector, *[7.0] * 30)
    frames(detector, *[None] * minutes, begin=30)
    assert (not detector.curve.window.values) is anew


def test_after_a_step_it_settles_for_a_quarter_of_an_hour() -> None:
    detector, said = CarbonDioxideDetector(), []
    for n in range(40):
        about = moment(n, ph=8.5)
        about.fifth, about.current.step_seen = n % 5 == 0, n == 0
        if detector.update(tank_of(LIMITS), about):
            said.append(n)
    assert said[0] == 15


@pytest.mark.parametrize(
    ("down", "back"), [(0.038, 0.0), (0.05, 0.03), (0.055, 0.045), (0.062, 0.062), (0.15, 0.15)]
)
def test_what_stepped_down_is_taken_off_gradually(down: float, back: float) -> None:
    """Nothing up to 0.04, then three times what is above, up to all of it."""
    detector, about = CarbonDioxideDetector(), moment(4, ph=7.0)
    about.current.ph_stepped = -down
    detector.update(tank_of(LIMITS), about)
    assert detector.curve.ph == pytest.approx(7.0 + back)


@pytest.mark.parametrize(("down", "learnt"), [(0.19, 1), (0.21, 0)])
def test_a_level_that_is_a_guess_is_not_learnt(down: float, learnt: int) -> None:
    detector, about = CarbonDioxideDetector(), moment(4, ph=7.0)
    about.current.ph_stepped = -down
    detector.update(tank_of(LIMITS), about)
    assert detector.curve.extremes.count == learnt


def in_an_hour(slope: float) -> float:
    """How many times the CO2 of now is forecast."""
    detector = CarbonDioxideDetector()
    about = moment(4, ph=7.0)
    detector.update(tank_of(FED + "[tanks.sill.water]\ncarbonate_hardness_dkh = 4\n"), about)
    detector.curve.slope = slope
    judged = judged_by(tank_of(), about, detector.curve, 7.0, Gas(10.0, 0.3))
    detector.judged = detector.read = judged
    said = detector.beliefs(tank_of(), about)["co2_in_1_h_mg_l"]
    assert said is not None
    return said / 10.0


def test_no_forecast_goes_on_faster_than_two_ph_an_hour() -> None:
    assert in_an_hour(-1.9) == pytest.approx(10**1.9)
    assert in_an_hour(-2.2) == in_an_hour(-4.0) == pytest.approx(100)


# -- a fall that is one step ------------------------------------------------------------------------


def steady(*values: float, gaps: dict[int, int] | None = None) -> str:
    """What counts of a fall: its slope, only what comes after a step, or nothing yet."""
    curve = PhCurve(window=held(*values, gaps=gaps), slope=-9.0)
    fall = curve._steady(1)
    return "slope" if fall == 9.0 else "after" if fall > 0 else "nothing"


def falling(steps: dict[int, float], count: int = 9, pace: float = 0.01) -> list[float]:
    """It falls by `pace` each five minutes, and by a step before the value of that place."""
    values = [7.0]
    for n in range(1, count):
        values.append(values[-1] - steps.get(n, pace))
    return values


def test_a_step_is_looked_for_in_half_an_hour_and_shows_after_five_values() -> None:
    assert steady(*falling({3: 0.3})) == "after"  # between the first and the second of seven
    assert steady(*falling({2: 0.3})) == "slope"
    assert steady(*falling({4: 0.3})) == "after" and steady(*falling({5: 0.3})) == "nothing"


def test_how_large_a_step_is_and_how_much_of_the_fall() -> None:
    assert steady(*falling({3: 0.048}, pace=0.002)) == "slope"
    assert steady(*falling({3: 0.052}, pace=0.002)) == "after"
    assert steady(*falling({3: 0.1}, pace=0.0142)) == "slope"  # 0.1 of 0.171 is 58 %
    assert steady(*falling({3: 0.1}, pace=0.0118)) == "after"  # of 0.159: 63 %


def test_over_a_gap_the_first_value_that_settles_is_a_part_of_the_step() -> None:
    values = falling({3: 0.04, 4: 0.04}, pace=0.001)
    assert steady(*values, gaps={3: 8}) == "slope" and steady(*values, gaps={3: 10}) == "after"


# -- an electrode set right -------------------------------------------------------------------------


def set_right(before: list[float], since: list[float], gap: int = 20) -> bool:
    odd = held(*before, *since, gaps={len(before): gap})
    curve = PhCurve(residuals=odd)
    curve._set_right()
    return curve.moved != 0.0


LEVEL, SETTLED = [0.0] * 4, [0.1] * 6


def test_a_lower_level_since_a_gap_is_an_electrode_set_right() -> None:
    assert set_right([0.0] * 3, SETTLED) and not set_right([0.0] * 2, SETTLED)
    assert set_right(LEVEL, [0.1] * 6, gap=10) and not set_right(LEVEL, [0.1] * 6, gap=9)
    assert not set_right(LEVEL, [0.1] * 5) and not set_right(LEVEL, [0.1] * 7)
    assert set_right(LEVEL, [0.052] * 6) and not set_right(LEVEL, [0.048] * 6)


def test_the_level_must_be_even_before_and_after() -> None:
    assert set_right([0.038, 0.0, 0.0, 0.0], SETTLED) and not set_right([0.042, 0.0, 0.0, 0.0], SETTLED)
    assert set_right([0.5, *LEVEL], SETTLED)  # of four values before
    assert set_right(LEVEL, [0.5, *[0.1] * 5]) and not set_right(LEVEL, [0.1, 0.15, *[0.1] * 4])
    assert set_right([0.075] * 4, [0.3] * 6) and not set_right([0.085] * 4, [0.3] * 6)


def test_a_fall_that_was_there_before_the_gap_may_be_gas() -> None:
    """It goes on at 0.008 in five minutes, from the middle of the values before to that of those after."""
    before, between = [0.008 * n for n in range(4)], 0.008 * (1.5 + 20 / 5 + 3)
    for beyond, moved in ((0.052, True), (0.048, False), (0.0, False)):
        assert set_right(before, [0.012 + between + beyond] * 6) is moved
        # three values before are enough, and then they are all
        assert set_right(before[:3], [0.008 + between - 0.004 + beyond] * 6) is moved
    rising = [-0.008 * n for n in range(4)]
    assert set_right(rising, [-0.012 + 0.052] * 6) and not set_right(rising, [-0.012 + 0.048] * 6)


# -- what is usual ----------------------------------------------------------------------------------


def known(lows: list[float], highs: list[float] | None = None, ph: float = 7.0) -> PhCurve:
    return PhCurve(extremes=DailyExtremes(lows=lows, highs=highs or [7.5] * len(lows)), ph=ph)


def test_the_usual_lowest_is_of_three_days() -> None:
    assert known([6.0, 6.9, 7.2, 7.0]).usual_low == 7.0


def test_the_first_days_hold_it_from_the_fifth_day_on() -> None:
    sinks = [7.0, 7.0, 6.8, 6.6, 6.4]
    assert known(sinks[:4]).usual_low == 6.8 and known(sinks).usual_low == 7.0
    assert known([6.9, *sinks[:3]]).usual_low == 7.0
    assert known(sinks, [7.5, 7.5, 7.5, 7.3, 7.3]).usual_low == pytest.approx(6.8)  # the highs sink with it


@pytest.mark.parametrize(
    ("lows", "margin"),
    [([7.0], 0.16), ([7.0] * 2, 0.07 + 0.09 / 2**0.5), ([7.0] * 4, 0.115), ([7.0, 6.0, 7.0, 6.0], 0.37)],
    ids=["the first day", "two days", "days that are alike", "days that are not"],
)
def test_how_much_the_lowest_ph_may_differ(lows: list[float], margin: float) -> None:
    """0.07 below it and one and a half scatters: 0.06 at first, then from 0.03 to 0.2."""
    for below, seen in ((margin - 0.005, False), (margin + 0.005, True)):
        curve = known(lows, ph=7.0 - below)
        assert OverdoseJudge._level(30.0, curve, Gas(31, 0.05), 7.0, False, False, curve.unsteady) is seen


def test_the_scatter_is_a_standard_deviation() -> None:
    """The median distance of two days is the quartile of a difference, which has twice the variance."""
    quartile = statistics.NormalDist().inv_cdf(0.75)
    assert known([7.0, 7.1, 7.0, 7.1]).scatter == pytest.approx(0.1 / quartile / 2**0.5, rel=1e-3)
    # of two days: the mean of both variances, that of any tank and that of half a squared difference
    assert known([7.0, 7.2]).scatter == pytest.approx(((0.06**2 + 0.2**2 / 2) / 2) ** 0.5, rel=1e-3)


def creeps(curve: PhCurve) -> bool:
    curve._creeps()
    return curve.creeping


def test_a_curve_that_sinks_over_days() -> None:
    for sinks, seen in ((0.078, False), (0.082, True)):
        lows, highs = [7.0, 7.0, 7.0 - sinks], [7.5, 7.5, 7.5 - sinks]
        assert creeps(known(lows, highs)) is seen
        assert not creeps(known(lows, [7.5] * 3))  # gas lowers the lows alone
        assert not creeps(known([7.0, 7.0 - sinks], [7.5, 7.5 - sinks]))


@pytest.mark.parametrize(
    ("span", "before", "now", "seen"),
    [
        (345, 0.2, 0.2, False), (350, 0.2, 0.2, True), (350, 0.145, 0.145, False), (350, 0.155, 0.155, True),
        (350, 0.54 * 0.3, 0.3, False), (350, 0.56 * 0.3, 0.3, True),
    ],
)  # fmt: skip
def test_a_curve_that_sinks_within_the_day(span: int, before: float, now: float, seen: bool) -> None:
    odd = held(*[before] * (span // 5), now)
    assert creeps(PhCurve(residuals=odd)) is seen


@pytest.mark.parametrize(("swing", "gas"), [(0.49, False), (0.51, True)])
def test_a_swing_that_plants_hardly_make(swing: float, gas: bool) -> None:
    curve = known([7.0] * 2, [7.0 + swing] * 2)
    assert curve.injected(tank_of()) is gas and curve.injected(tank_of(FED))


# -- water that lifts it ----------------------------------------------------------------------------


def losing(per_h: float) -> PhCurve:
    """A tank whose usual day shows that loss of gas (1/h): pH rises by k / ln 10 an hour."""
    curve = PhCurve()
    curve.profile.days = [2] * 48
    curve.profile.usual = [7.0 + per_h / 2.302585 * min(n, 4) / 2 for n in range(48)]
    return curve


def lifted(curve: PhCurve, *values: float, gaps: dict[int, int] | None = None) -> float:
    """What pH rose by faster than the tank can lose gas."""
    for at, value in zip(held(*values, gaps=gaps).times, values, strict=True):
        curve.ph = value
        curve._lift(at)
    return curve.lifted


def test_what_rises_faster_than_gas_leaves() -> None:
    """0.06, and one and a half times what a quarter of an hour of the usual loss makes."""
    for rise, seen in ((0.38, False), (0.39, True)):  # a loss that is not known: 2 an hour
        assert bool(lifted(PhCurve(), 7.0, 7.0, 7.0, 7.0 + rise)) is seen
    for rise, seen in ((0.095, False), (0.1, True)):
        assert bool(lifted(losing(0.2303), 7.0, 7.0, 7.0, 7.0 + rise)) is seen


def test_it_is_looked_at_over_a_quarter_of_an_hour() -> None:
    assert not lifted(PhCurve(), *(7.0 + 1.53 * n / 12 for n in range(12)))
    assert lifted(PhCurve(), *(7.0 + 1.56 * n / 12 for n in range(12)))
    assert lifted(PhCurve(), 7.0, 7.0, 7.0, 8.0, gaps={1: 10, 2: 10, 3: 10})
    assert not lifted(PhCurve(), 7.0, 7.0, 7.0, 8.0, gaps={1: 10, 2: 10, 3: 15})
    assert lifted(PhCurve(), 7.0, 7.0, 7.0, 7.0, 7.0, 8.0, gaps={3: 15})  # four values are kept


def test_how_long_it_goes_on_and_how_long_it_explains_a_high_ph() -> None:
    quick = [7.0, 7.0, 7.0, 7.5]
    for minutes, more in ((60, 0.6), (65, 0.5)):
        rest = [7.5] * (minutes // 5 - 1)
        assert lifted(PhCurve(), *quick, *rest, 7.6) == pytest.approx(more)
    for hours, there in ((47.9, True), (48.1, False)):
        later = lifted(PhCurve(), *quick, 7.5, gaps={4: round(hours * 60)})
        assert bool(later) is there


@pytest.mark.parametrize(("minutes", "told"), [(25, 15), (26, 10)])
def test_poured_water_lifts_it_for_twenty_five_minutes(minutes: int, told: int) -> None:
    """From then on the pH that goes on rising is out of its range within ten minutes."""
    known = {"rise": 0.3, "lately": 0.3, "slope": 0.3, "highs": [7.4] * 3}
    assert after(7.8, lifted_ms=BEGAN - minutes * MINUTE, **known) == told
