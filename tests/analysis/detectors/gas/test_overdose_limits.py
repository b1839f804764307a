"""Where too much CO2 begins: just inside each rule and just outside, in a tank whose usual day is given.

The usual lowest pH is 7.0 and the limit 30 mg/L. The figures are common practice, no source; probabilities
are those of the normal distribution, by Python's own `statistics`.
"""

from __future__ import annotations

import math
import statistics
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.gas.fresh_fall import falls_afresh
from rushlight.analysis.detectors.gas.overdose import OverdoseJudge
from rushlight.analysis.detectors.gas.ph_range import RangeJudge
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.physics.carbon_dioxide import Gas
from tests.analysis.detectors.gas.test_gas_limits import FED, MINUTE, TIMED, moment, tank_of
from tests.analysis.detectors.gas.test_gas_limits import curve as usual_day

LIMIT = 30.0
LOW = 7.0
NORMAL = statistics.NormalDist()


def curve(ph: float = 7.1, **known: Any) -> Any:
    usual: dict[str, Any] = {
        "ph": ph,
        "expected": None,
        "usual_low": LOW,
        "fall": 0.0,
        "slope": None,
        "scatter": 0.0,
        "drifts": 0.0,
        "wanders": 0.0,
        "levels": 0.0,
        "doubted": "",
        "later": None,
        "drift": 0.0,
        "creeps": False,
        "creep": 0.0,
        "ago": {},
    }
    usual |= known
    return SimpleNamespace(
        **usual,
        unsteady=usual["scatter"] + usual["wanders"],
        days=SimpleNamespace(drifts=usual["drifts"], levels=usual["levels"]),
        profile=SimpleNamespace(at=lambda *_: usual["later"]),
        creeping=usual["creeps"],
        residuals=SimpleNamespace(
            values=[0.0],
            ago=lambda ms: usual["ago"].get(ms // MINUTE),
            slope_per_hour=lambda _: usual["drift"],
        ),
    )


# -- far from the usual -----------------------------------------------------------------------------


def level(below: float, mg_l: float, error: float = 0.3, odd: float | None = None, **known: Any) -> bool:
    ph = LOW - below
    expected = None if odd is None else ph + odd
    steep, once = known.pop("steep", False), known.pop("once", False)
    shown = curve(ph, expected=expected, **known)
    return OverdoseJudge._level(LIMIT, shown, Gas(mg_l, error), LOW, steep, once, shown.unsteady)


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        ({"below": 0.075, "mg_l": 31}, {"below": 0.065, "mg_l": 31}),
        ({"below": 0.185, "mg_l": 29}, {"below": 0.175, "mg_l": 29}),
        ({"below": 0.225, "mg_l": 31, "scatter": 0.1}, {"below": 0.215, "mg_l": 31, "scatter": 0.1}),
        ({"below": 0.06, "mg_l": 28, "odd": 0.11}, {"below": 0.06, "mg_l": 28, "odd": 0.09}),
        (
            {"below": 0.06, "mg_l": 28, "odd": 0.2, "steep": True},
            {"below": 0.06, "mg_l": 28, "odd": 0.2, "once": True},
        ),
        ({"below": 0.055, "mg_l": 28, "odd": 0.12}, {"below": 0.045, "mg_l": 28, "odd": 0.12}),
        ({"below": 0.06, "mg_l": 27.2, "odd": 0.11}, {"below": 0.06, "mg_l": 26.8, "odd": 0.11}),
        (
            {"below": 0.04, "mg_l": 20, "odd": 0.26, "error": 0.5},
            {"below": 0.04, "mg_l": 20, "odd": 0.24, "error": 0.5},
        ),
        (
            {"below": 0.031, "mg_l": 20, "odd": 0.3, "error": 0.5},
            {"below": 0.029, "mg_l": 20, "odd": 0.3, "error": 0.5},
        ),
        (
            {"below": 0.04, "mg_l": 20, "odd": 0.43, "error": 0.5, "scatter": 0.1},
            {"below": 0.04, "mg_l": 20, "odd": 0.41, "error": 0.5, "scatter": 0.1},
        ),
        (
            {"below": 0.04, "mg_l": 20, "odd": 0.3, "error": 0.5},
            {"below": 0.04, "mg_l": 20, "odd": 0.3, "error": 0.5, "steep": True},
        ),
    ],
)
def test_how_far_below_the_usual(inside: dict[str, Any], outside: dict[str, Any]) -> None:
    assert level(**inside) and not level(**outside)


# -- on its way there -------------------------------------------------------------------------------


def through(fall: float, mg_l: float, error: float, ph: float = 6.9) -> bool:
    return OverdoseJudge._through(LIMIT, curve(ph, fall=fall), Gas(mg_l, error), LOW)


def test_at_the_limit_and_falling_on() -> None:
    assert through(0.11, 29.5, 0.05) and not through(0.09, 29.5, 0.05)
    assert through(0.3, 27.2, 0.05) and not through(0.3, 26.8, 0.05)
    assert through(1.0, 29, 0.48) and not through(1.0, 29, 0.52)
    # five in six that it is over in an hour: one standard error
    fall = math.log10(LIMIT * math.exp(0.4 * NORMAL.inv_cdf(0.841)) / 29)
    assert through(fall + 0.005, 29, 0.4) and not through(fall - 0.005, 29, 0.4)


def soon(
    ph: float = 7.1,
    expected: float = 7.2,
    later: float = 7.2,
    mg_l: float = 25,
    error: float = 0.3,
    **known: Any,
) -> bool:
    steep = known.pop("steep", False)
    shown = curve(ph, expected=expected, **({"fall": 0.4, "drift": 0.4} | known))
    return OverdoseJudge._soon(LIMIT, shown, Gas(mg_l, error), LOW, later, steep)


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        ({"drift": 0.085, "later": 6.9}, {"drift": 0.075, "later": 6.9}),
        ({"fall": 0.055, "ph": 7.04, "later": 6.9}, {"fall": 0.045, "ph": 7.04, "later": 6.9}),
        ({"expected": 7.155, "later": 7.1}, {"expected": 7.145, "later": 7.1}),
        (
            {"steep": True, "ph": 7.045, "expected": 7.4, "later": 7.3},
            {"steep": True, "ph": 7.055, "expected": 7.4, "later": 7.3},
        ),
        (
            {"steep": True, "ph": 7.02, "expected": 7.175, "later": 7.1},
            {"steep": True, "ph": 7.02, "expected": 7.165, "later": 7.1},
        ),
        ({"mg_l": 15.2, "error": 0.05}, {"mg_l": 14.8, "error": 0.05}),
        ({"mg_l": 14, "error": 0.27}, {"mg_l": 14, "error": 0.23}),
        ({"drift": 0.215, "fall": 0.215}, {"drift": 0.205, "fall": 0.205}),
        (
            {"drift": 0.355, "fall": 0.355, "error": 0.6},
            {"drift": 0.345, "fall": 0.345, "error": 0.6},
        ),
    ],
)
def test_over_the_limit_within_the_hour(inside: dict[str, Any], outside: dict[str, Any]) -> None:
    assert soon(**inside) and not soon(**outside)


def test_what_an_electrode_wanders_by_itself_is_no_gas() -> None:
    """Its drift of half an hour bounds both forecasts, its wandering within hours widens each margin."""
    wild = curve(6.9, fall=0.2, drifts=0.21)
    assert through(0.2, 29.5, 0.05) and not OverdoseJudge._through(LIMIT, wild, Gas(29.5, 0.05), LOW)
    assert soon(drifts=0.39) and not soon(drifts=0.41)
    assert level(0.1, 31) and not level(0.1, 31, wanders=0.03)
    assert soon(drift=0.22, fall=0.22) and not soon(drift=0.22, fall=0.22, wanders=0.03)


@pytest.mark.parametrize(("more", "lately"), [(TIMED, 0.15), (FED, 0.07)])
def test_against_a_sinking_curve_only_what_falls_faster_counts(more: str, lately: float) -> None:
    tank = tank_of(more)
    for by, fresh in ((lately + 0.005, True), (lately - 0.005, False)):
        assert falls_afresh(tank, curve(ago={55: -by})) is fresh
    for by, fresh in ((0.255, True), (0.245, False)):
        assert falls_afresh(tank, curve(ago={330: -by})) is fresh


def test_a_level_that_came_over_days_must_be_one_that_days_do_not_have() -> None:
    """0.07 below the lowest and one and a half times what differs; days differ by 0.04 in their level."""

    def wrong(ph: float, departs: bool) -> bool:
        shown = curve(ph, levels=0.04)
        return OverdoseJudge._known_tank(tank_of(FED), moment(0), shown, Gas(31, 0.3), LOW, False, departs)

    assert wrong(6.925, True) and not wrong(6.925, False)
    assert wrong(6.865, False) and not wrong(6.875, False)


# -- as a whole -------------------------------------------------------------------------------------


def judged(mg_l: float, error: float, ph: float = 6.96, active: bool = False, **known: Any) -> bool:
    """Whether the first five minutes of it are an alarm."""
    about = moment(0, "co2-overdose" if active else "")
    shown = curve(ph, **({"fall": 0.26} | known))
    return OverdoseJudge().judge(tank_of(FED), about, shown, Gas(mg_l, error)) is not None


def surely(share: float, error: float) -> float:
    """The CO2 that is over the limit with that probability."""
    return LIMIT * math.exp(error * NORMAL.inv_cdf(share))


def test_how_sure_it_is_over_the_limit() -> None:
    assert judged(surely(0.945, 0.6) * 1.02, 0.6) and not judged(surely(0.945, 0.6) / 1.02, 0.6)
    # what the whole curve has sunk by is no gas: CO2 goes as 10^-pH
    sinks, less = {"creeps": True, "creep": 0.1}, surely(0.945, 0.6) * 10**0.1
    assert judged(less * 1.02, 0.6, **sinks) and not judged(less / 1.02, 0.6, **sinks)


def test_a_sinking_curve_is_on_its_way_from_six_tenths_of_the_limit_on() -> None:
    falls = {"expected": 7.2, "later": 7.2, "fall": 0.4, "drift": 0.4, "creeps": True, "ago": {55: -0.2}}
    assert judged(18.2, 0.3, 7.1, **falls) and not judged(17.8, 0.3, 7.1, **falls)


def test_where_the_usual_curve_is_steep_minutes_make_a_departure() -> None:
    """It moves by a quarter within the hour, as where the valve opens."""
    for moves, seen in ((0.24, True), (0.26, False)):
        assert judged(20, 0.5, 6.96, expected=7.26, later=7.26 - moves) is seen


def test_what_the_whole_curve_has_sunk_by_is_no_gas() -> None:
    """0.3 pH lost to hardness make 10^0.3 times the gas by the old KH."""
    sinks = {"creeps": True, "creep": 0.3}
    looks = surely(0.945, 0.6) * 10**0.3
    assert judged(looks * 1.02, 0.6, **sinks) and not judged(looks / 1.02, 0.6, **sinks)


def test_a_fast_fall_is_not_waited_on() -> None:
    assert judged(100, 0.6, fall=0.26) and not judged(100, 0.6, fall=0.24)


def test_the_alarm_holds_near_the_limit() -> None:
    assert judged(27.2, 0.6, active=True) and not judged(26.8, 0.6, active=True)
    assert judged(29, 0.6, 6.968, active=True) and not judged(29, 0.6, 6.972, active=True)


def test_on_the_first_day() -> None:
    """By the estimate's own error, or 95.5 % where that is rough; or falling, and over within the hour."""
    unknown = OverdoseJudge._unknown_tank
    rough = surely(0.955, 0.5)
    assert unknown(LIMIT, Gas(rough * 1.01, 0.5), 0) and not unknown(LIMIT, Gas(rough / 1.01, 0.5), 0)
    fine = LIMIT * math.exp(1.2 * 0.48)
    assert unknown(LIMIT, Gas(fine * 1.01, 0.48), 0) and not unknown(LIMIT, Gas(fine / 1.01, 0.48), 0)
    assert unknown(LIMIT, Gas(31, 0.1), -0.105) and not unknown(LIMIT, Gas(31, 0.1), -0.095)


def said(mg_l: float, celsius: float | None = None, **known: Any) -> Any:
    tank: Tank = tank_of(FED)
    about = moment(0, temperature=celsius)
    return OverdoseJudge._finding(tank, about, curve(**known), Gas(mg_l, 0.3), holding=False)


def test_what_makes_it_critical() -> None:
    assert said(20, 28.1).priority == "critical" and said(20, 27.9).priority == "high"
    assert said(22.2, slope=-0.09).priority == "critical" and said(21.8, slope=-0.09).priority == "high"
    assert said(10, slope=-0.105).priority == "critical" and said(10, slope=-0.095).priority == "high"


def test_what_is_said_of_it() -> None:
    assert said(20, slope=-0.012).time_left_s is not None and said(20, slope=-0.008).time_left_s is None
    for odd, there in ((0.11, True), (0.09, False)):
        found = said(20, expected=7.1 + odd)
        assert any("usual at this time" in one for one in found.observations) is there


def test_what_stepped_there_is_looked_at_where_it_is_below_every_day() -> None:
    for ph, seen in ((6.89, 10), (6.91, None)):
        judge, tank = OverdoseJudge(), tank_of(FED)
        first = next(
            (
                n
                for n in range(0, 60, 5)
                if judge.look(tank, moment(n), curve(ph), Gas(100, 0.3), ph, Window(28))
            ),
            None,
        )
        assert first == seen


def test_what_leapt_there_and_shakes_is_an_electrode_in_a_current() -> None:
    """An overdose only if it has read so for sixteen hours, and no low pH; calm, it is one in ten minutes."""
    for shakes in (False, True):
        judge, tank, block = OverdoseJudge(), tank_of(FED), Window(28)
        for n in range(-10, 12):
            wild = (-1) ** n * 0.1 if shakes and n >= 0 else 0.0
            block.add(moment(n).frame.start_ms, (7.0 if n < 0 else 6.2) + wild)
        first = None
        for n in range(10, 60 * 20, 5):
            about = moment(n)
            about.sensors["ph"] = Sensor(step=0.01, interval_ms=MINUTE, noise=0.01)
            if judge.look(tank, about, curve(6.2), Gas(100, 0.3), 6.2, block):
                first = n - 10
                break
        assert judge.shaken.shakes is shakes and first == (16 * 60 if shakes else 10)
        shaken = judge.shaken.shakes
        low = [RangeJudge().judge(tank, moment(n), usual_day(5.2), 5.2, {}, shaken) for n in range(2)]
        assert (low[-1] is None) is shakes
