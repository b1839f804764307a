"""How many late readings turn a clock back, and how long a limit is passed before it is an alarm.

Just inside each rule and just outside. Common practice, no source; probabilities are those of the normal
distribution, by Python's own `statistics`.
"""

from __future__ import annotations

import math
import statistics

import pytest

from rushlight.analysis.detectors.frames import FrameBuilder
from rushlight.analysis.detectors.gas.overdose import OverdoseJudge
from rushlight.analysis.detectors.patience import patience_ms
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.physics.carbon_dioxide import Gas
from rushlight.collector.readings import STAMP_ARRIVAL, STAMP_DEVICE
from tests.analysis.detectors.gas.test_gas_limits import FED, moment, tank_of
from tests.analysis.detectors.gas.test_overdose_limits import curve

MINUTE = 60_000
HOUR = 60
BEGAN = 1_772_323_200_000


def followed(*minutes: float, stamp: int = STAMP_DEVICE) -> bool:
    """Whether late readings of those minutes, an hour and more behind, turn the clock back."""
    builder = FrameBuilder()
    builder.take("ph", BEGAN + 3 * HOUR * MINUTE, 7.0, 1, stamp)
    for minute in minutes:
        builder.take("ph", BEGAN + round(minute * MINUTE), 7.0, 1, stamp)
    return builder.back_ms != 0


def test_how_many_late_ones_turn_the_clock_back() -> None:
    assert not followed(*(0.01 * n for n in range(59))) and followed(*(0.01 * n for n in range(60)))
    assert followed(0, 6, 12, 18, 24, 30) and not followed(0, 6, 12, 18, 24, 29)  # rare reports
    assert not followed(0, 10, 20, 30, 40)


def test_what_the_collector_stamped_can_not_be_earlier() -> None:
    assert followed(0, 1, 2, stamp=STAMP_ARRIVAL) and not followed(0, 1, stamp=STAMP_ARRIVAL)
    assert not followed(0, 1, 2)


@pytest.mark.parametrize(("behind_s", "back"), [(179, False), (181, True)])
def test_a_step_back_of_three_minutes_is_followed(behind_s: int, back: bool) -> None:
    late = [3 * HOUR - behind_s / 60] * 3
    assert followed(*late, stamp=STAMP_ARRIVAL) is back


@pytest.mark.parametrize(("days", "kept"), [(6.9, True), (7.1, False)])
def test_the_widest_gap_is_kept_for_a_week(days: float, kept: bool) -> None:
    """It may be a clock's leap ahead: ten hours here, and an hour later on."""
    builder = FrameBuilder(before_ms=BEGAN, after_ms=BEGAN + 10 * HOUR * MINUTE)
    builder.end_ms = builder.after_ms + round(days * 24 * HOUR * MINUTE) - HOUR * MINUTE
    builder._gap(builder.end_ms + HOUR * MINUTE)
    assert (builder.before_ms == BEGAN) is kept


# -- patience ---------------------------------------------------------------------------------------


def test_from_which_excess_on_patience_falls() -> None:
    """88 % sure: 1.2 standard errors."""
    errors = statistics.NormalDist().inv_cdf(0.885)
    assert patience_ms(0.98 * errors, 10**6, 0) == 10**6 > patience_ms(1.02 * errors, 10**6, 0)


def looked(
    errors: float,
    step_with_lamp: bool = False,
    every: int = 1,
    until: int = 120,
    off_by: float = 0.0,
) -> int | None:
    """Minutes until a pH that stepped there, so many errors over the limit, is an alarm."""
    judge, tank, gas = OverdoseJudge(), tank_of(FED), Gas(30 * math.exp(0.3 * errors), 0.3)
    for n in range(0, until, every):
        about = moment(n)
        about.current.step_with_lamp = step_with_lamp
        about.current.off_by = off_by
        if judge.look(tank, about, curve(6.0), gas, 6.0, Window(28)):
            return n
    return None


def test_a_step_that_no_gas_makes() -> None:
    """98 % sure; with 2.05 errors 45 minutes times (1.2 / 2.05)², and ten minutes at least."""
    sure = statistics.NormalDist().inv_cdf(0.9772)
    assert looked(0.98 * sure) is None and looked(2.05) == 16
    assert looked(9.0) == 10
    assert looked(9.0, True, 5, 17 * HOUR) == 16 * HOUR  # a current: it switches back with the lamp


def test_a_current_that_is_known_may_have_made_one_step_more() -> None:
    """One of its steps is taken off: what is over the limit after that has to be looked at."""
    step = 0.3 * 2.0 / math.log(10)  # two standard errors of an estimate whose error is 0.3 (ln mg/L)
    assert looked(4.5, off_by=step) == looked(2.5) and looked(4.5) == 10
    assert looked(3.9, off_by=step) is None


def first_day(mg_l: float, usual_low: float | None, fall: float = 0.0) -> int | None:
    """Minutes until CO2 by its level is an alarm."""
    judge, tank = OverdoseJudge(), tank_of(FED)
    shown = curve(6.0, usual_low=usual_low, fall=fall)
    return next((n for n in range(60) if judge.judge(tank, moment(n), shown, Gas(mg_l, 0.1))), None)


def test_how_long_gas_must_be_over_its_limit() -> None:
    just = 30 * math.exp(0.1 * 1.21)
    assert first_day(just, None) == 20  # in a tank that is not known
    assert first_day(300, None) == 5 and first_day(just, 7.0) == 5
