"""Gas that runs out of the valve's hours. The figures are common practice, no source."""

from __future__ import annotations

import pytest

from rushlight.analysis.detectors.gas.valve_open import ValveWatch
from rushlight.analysis.physics.carbon_dioxide import Gas
from tests.analysis.detectors.gas.made_up_gas import told_and_over
from tests.analysis.detectors.gas.test_gas_limits import FED, TIMED, curve, moment, tank_of
from tests.analysis.detectors.gas.test_surge import SETTINGS as WITH_HOURS

SHUTS = 18 * 60
KH = 4.5
SETTINGS = WITH_HOURS.replace("carbonate_hardness_dkh = 4.0", "carbonate_hardness_dkh = 3.0")


def runs_on(
    after_min: float,
    ph: float,
    expected: float,
    before: float = 0.0,
    mg_l: float = 20.0,
    text: str = TIMED,
    active: str = "",
) -> bool:
    """The usual lowest pH is 6.8 and the limit 30 mg/L; `before`: how odd it was as the valve shut."""
    watch, tank = ValveWatch(), tank_of(text)
    begin = curve(6.8 - before, expected=6.8, scatter=0.04)
    assert not watch.runs_on(tank, moment(SHUTS), begin, Gas(mg_l, 0.2))
    later = curve(ph, expected=expected, scatter=0.04)
    return watch.runs_on(tank, moment(SHUTS + after_min, active), later, Gas(mg_l, 0.2))


def test_how_much_less_than_usual_it_rises_and_how_low_it_is() -> None:
    assert runs_on(120, 6.72, 6.72 + 0.20) and not runs_on(120, 6.72, 6.72 + 0.18)
    assert runs_on(120, 6.72, 6.92) and not runs_on(120, 6.74, 6.94)
    held = {"active": "co2-overdose"}
    assert runs_on(120, 6.79, 6.79 + 0.09, **held) and not runs_on(120, 6.79, 6.79 + 0.07, **held)
    assert not runs_on(120, 6.81, 7.0, **held)


def test_what_was_there_before_the_valve_shut_is_no_gas() -> None:
    """Hardness that runs out lowers the whole curve: it was as odd before."""
    assert not runs_on(120, 6.6, 7.0, before=0.22)
    assert runs_on(120, 6.6, 7.0, before=0.20)


def test_when_and_where_it_is_looked_for() -> None:
    assert runs_on(60, 6.7, 7.0) and not runs_on(55, 6.7, 7.0), "gas on its way comes in"
    assert runs_on(16 * 60 - 5, 6.7, 7.0) and not runs_on(16 * 60, 6.7, 7.0), "its hours have begun"
    assert not runs_on(120, 6.7, 7.0, text=FED), "nobody said when it shuts"
    assert not runs_on(120, 6.7, 7.0, text=TIMED.replace("cylinder", "yeast")), "nothing shuts it"
    assert runs_on(120, 6.7, 7.0, mg_l=17.3) and not runs_on(120, 6.7, 7.0, mg_l=17.0), "so little is no harm"


def test_one_shut_that_was_not_seen_says_nothing() -> None:
    """The watch began after it, or a day has been missed."""
    odd = curve(6.7, expected=7.0, scatter=0.04)
    assert not ValveWatch().runs_on(tank_of(TIMED), moment(SHUTS + 120), odd, Gas(20.0, 0.2))
    watch = ValveWatch()
    watch.runs_on(tank_of(TIMED), moment(SHUTS + 4), curve(6.8, expected=6.8), Gas(20.0, 0.2))
    assert watch.runs_on(tank_of(TIMED), moment(SHUTS + 120), odd, Gas(20.0, 0.2))
    assert not watch.runs_on(tank_of(TIMED), moment(SHUTS + 1440 + 5), odd, Gas(20.0, 0.2))
    late = ValveWatch()
    late.runs_on(tank_of(TIMED), moment(SHUTS + 5), curve(6.8, expected=6.8), Gas(20.0, 0.2))
    assert not late.runs_on(tank_of(TIMED), moment(SHUTS + 120), odd, Gas(20.0, 0.2)), "five minutes late"


@pytest.mark.parametrize("stuck", [True, False])
def test_a_valve_that_sticks_open_is_told_within_hours_and_before_the_limit(stuck: bool) -> None:
    """A made-up tank of KH 4.5, not the 3 of its settings: dC/dt = k (supply - C), k 0.2 an hour."""
    shut = 4 * 1440 - 360

    def supply(minute: int) -> float:
        if 10 <= minute % 1440 / 60 < 18:
            return 28.0
        return 33.0 if stuck and minute >= shut else 2.0

    found, over = told_and_over(SETTINGS, KH, supply, loss_per_h=0.2, gas=5.0, seed=2)
    assert (found is not None) is stuck and (over is not None) is stuck
    if found is not None and over is not None:
        assert shut < found < min(over, shut + 180)
