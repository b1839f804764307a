"""Where the judgements of gas that is missing and of pH out of its range begin, just inside and just outside.

What the tank usually does is given to them as it is, so that each rule is met alone. The figures are common
practice, no source.
"""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.gas.absence import AbsenceJudge
from rushlight.analysis.detectors.gas.ph_range import RangeJudge
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.carbon_dioxide import Gas
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
BEGAN = 1_772_323_200_000
TEXT = (
    '[tanks.sill]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.sill.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\nco2_limit_mg_l = 30\n"
)
FED = '[tanks.sill.co2]\nsource = "cylinder"\n'
TIMED = FED + 'on = "10:00"\noff = "18:00"\n'


def tank_of(more: str = "") -> Tank:
    return Tank("sill", parse_settings(TEXT + more).tanks["sill"])


def moment(minute: float, active: str = "", **frame: Any) -> Moment:
    now = BEGAN + round(minute * MINUTE)
    shown: dict[str, Any] = dict.fromkeys(("temperature", "room", "ph", "light", "heater"))
    seen = Frame(now, now + MINUTE, *(shown | frame).values(), {})
    return Moment(seen, 0, minute % 1440, True, {active} if active else set())


def curve(ph: float = 7.0, **known: Any) -> Any:
    """What a tank usually does: the days between pH 6.8 and 7.2, unless something else is known."""
    usual: dict[str, Any] = {
        "ph": ph,
        "expected": 7.0,
        "slope": 0.0,
        "rise": 0.0,
        "usual_low": 6.8,
        "doubted": "",
        "lows": [6.8] * 3,
        "highs": [7.2] * 3,
        "creeps": False,
        "fed": False,
        "residual": (None, 0.0),
        "lately": None,
        "swings": 0.4,
        "lifted": 0.0,
        "lifted_ms": -1,
        "loss_per_h": 0.3,
        "ceaseless": False,
        "scatter": 0.03,
    }
    usual |= known
    usual.setdefault("fall", max(0.0, -usual["slope"]))
    before, now = usual["residual"]
    return SimpleNamespace(
        **usual,
        extremes=SimpleNamespace(lows=usual["lows"], highs=usual["highs"]),
        residuals=SimpleNamespace(ago=lambda _: before, values=[now]),
        window=SimpleNamespace(slope_per_hour=lambda _: usual["lately"]),
        creeping=usual["creeps"],
        injected=lambda _: usual["fed"],
        swing=usual["swings"],
    )


# -- gas that is missing ----------------------------------------------------------------------------


def absent(
    odd: float, more: str = TIMED, gas: float = 5.0, begin: int = 760, until: int = 120, **known: Any
) -> int | None:
    """Minutes until gas is missed at a pH so far above the usual one."""
    judge, tank = AbsenceJudge(), tank_of(more)
    for minute in range(begin, begin + until, 5):
        about = moment(minute)
        about.current.ph_stepped = known.get("stepped", 0.0)
        what = curve(7.0 + odd, **{k: v for k, v in known.items() if k != "stepped"})
        if judge.judge(tank, about, what, Gas(gas, 0.3), None):
            return minute - begin
    return None


def test_how_far_ph_is_above_its_usual_one_without_gas() -> None:
    """0.22, or 45 % of the usual swing, where a timer opens the valve; else 0.3, or 60 %, and a new high."""
    assert absent(0.21) is None and absent(0.23) == 60
    assert absent(0.44, swings=1.0) is None and absent(0.46, swings=1.0) == 60
    assert absent(0.29, FED) is None and absent(0.31, FED) == 60
    assert absent(0.59, FED, swings=1.0) is None and absent(0.61, FED, swings=1.0) == 60
    assert absent(0.4, FED, highs=[7.36]) is None and absent(0.4, FED, highs=[7.34]) == 60
    assert absent(0.3, stepped=0.2) is None


def test_where_nobody_wrote_its_hours_down_they_are_those_of_the_usual_day() -> None:
    """No new high, but far above the usual of this hour for four hours: a timer that was moved is no more."""
    assert absent(0.4, FED, highs=[7.5], until=300) == 240 and absent(0.4, FED, highs=[7.34], until=300) == 60
    assert absent(0.29, FED, highs=[7.5], until=300) is None
    assert absent(0.4, TIMED, highs=[7.5], until=300) == 60


def test_gas_that_is_there_is_not_missing() -> None:
    assert absent(0.5, gas=23.5) == 60 and absent(0.5, gas=24.5) is None
    assert absent(0.5, slope=-0.075) == 60 and absent(0.5, slope=-0.085) is None


def test_gas_takes_its_time_after_the_valve_opens() -> None:
    """10:00 and two and a half hours; then an hour's patience."""
    assert absent(0.5, begin=600 + 145) == 5 + 60
    assert absent(0.5, begin=600 + 150) == 60


def test_gas_is_back_near_the_usual_ph() -> None:
    for odd, over in ((0.11, True), (0.13, False)):
        found = AbsenceJudge().judge(
            tank_of(TIMED), moment(800, "co2-absent"), curve(7.0 + odd), Gas(5.0, 0.3), None
        )
        assert (found is None) is over


# -- pH out of its range ----------------------------------------------------------------------------

LIMITS = "[tanks.sill.water]\nph_low = 6.0\nph_high = 8.0\n"


def ranged(
    ph: float,
    more: str = LIMITS,
    found: str = "",
    active: str = "",
    about: Moment | None = None,
    **known: Any,
) -> tuple[int | None, Finding | None]:
    """Minutes until pH is out of its range, and what is said then."""
    judge, tank = RangeJudge(), tank_of(more)
    others = {found: Finding(alarm=found)} if found else {}
    for minute in range(0, 60, 5):
        now = about or moment(0, active)
        now.frame.start_ms = BEGAN + minute * MINUTE
        if said := judge.judge(tank, now, curve(ph, **known), ph, others):
            return minute, said
    return None, None


def after(ph: float, more: str = LIMITS, **known: Any) -> int | None:
    return ranged(ph, more, **known)[0]


DAYS = {"lows": [6.0] * 3, "highs": [8.0] * 3}


def test_the_limits_where_none_are_set() -> None:
    new = {"lows": [], "highs": []}
    assert after(5.85, "", **new) is None and after(5.75, "", **new) is not None
    assert after(8.55, "", **new) is None and after(8.65, "", **new) is not None


def test_no_limit_is_within_what_the_water_is_without_gas() -> None:
    """Where none is set: 0.3 above the pH of the settings for water without gas."""
    new = {"lows": [], "highs": []}
    for degassed, ph in ((8.5, 8.8), (8.2, 8.6), (8.8, 9.1)):
        text = f"[tanks.sill.water]\ndegassed_ph = {degassed}\n"
        assert after(ph - 0.03, text, **new) is None and after(ph + 0.03, text, **new) is not None
    text = "[tanks.sill.water]\ndegassed_ph = 8.5\nph_high = 8.3\n"
    assert after(8.35, text, **new) is not None


def stepped(ph: float, size: float, minutes: int, lamp: bool = False, **known: Any) -> bool:
    """Whether it is told within so long, where the pH has stepped by so much."""
    judge, tank = RangeJudge(), tank_of(LIMITS)
    for minute in range(0, minutes + 1, 5):
        now = moment(minute)
        now.current.ph_stepped, now.current.step_with_lamp = size, lamp
        if judge.judge(tank, now, curve(ph - size, **known), ph, {}):
            return True
    return False


@pytest.mark.parametrize(("ph", "size"), [(5.5, -0.8), (8.4, 0.8)])
def test_a_step_alone_is_likelier_a_current(ph: float, size: float) -> None:
    """A heater's cycle is over in three hours, a lamp's day in sixteen; what was outside before is told."""
    assert not stepped(ph, size, 175) and stepped(ph, size, 180)
    assert not stepped(ph, size, 955, lamp=True) and stepped(ph, size, 960, lamp=True)
    # what is past it by little more than a small step, or goes on, is water
    near = (6.0 if size < 0 else 8.0) + size / 5
    for small, soon in ((0.19, True), (0.21, False)):
        assert stepped(near, math.copysign(small, size), 30) is soon
    way = "fall" if size < 0 else "rise"
    for pace, soon in ((0.14, False), (0.16, True)):
        assert stepped(ph, size, 30, **{way: pace}) is soon


def test_a_step_so_far_past_the_limit_is_told_at_once() -> None:
    assert stepped(4.95, -1.5, 0) and not stepped(5.05, -1.5, 175)


def test_how_far_past_and_how_long() -> None:
    new = {"lows": [], "highs": []}
    assert after(5.86, **new) == 30 and after(5.84, **new) == 10
    assert after(5.71, **new) == 10 and after(5.69, **new) == 0
    assert after(5.95, slope=-0.29, **new) == 30 and after(5.95, slope=-0.31, **new) == 0
    for ph, priority in ((5.62, "medium"), (5.58, "high")):
        found = ranged(ph, **new)[1]
        assert found is not None and found.priority == priority


@pytest.mark.parametrize(("minutes", "told"), [(9, False), (10, True)])
def test_what_is_further_past_is_said_in_ten_minutes(minutes: int, told: bool) -> None:
    judge, tank = RangeJudge(), tank_of(LIMITS)
    said = [judge.judge(tank, moment(at), curve(5.84), 5.84, {}) for at in (0, minutes)]
    assert said[0] is None and (said[1] is not None) is told


def test_what_days_have_always_passed_is_this_tanks_own() -> None:
    assert after(5.88, lows=[5.9] * 3) is None and after(5.86, lows=[5.9] * 3) is not None
    assert after(5.78, lows=[5.5] * 3) is None and after(5.76, lows=[5.5] * 3) is not None
    assert after(8.14, highs=[8.1] * 3) is None and after(8.16, highs=[8.1] * 3) is not None
    assert after(8.24, highs=[8.5] * 3) is None and after(8.26, highs=[8.5] * 3) is not None
    assert after(5.92, lows=[5.9]) is not None and after(5.92, lows=[5.9] * 2) is None


def test_what_no_day_has_come_near_is_said_sooner() -> None:
    assert after(5.9, lows=[6.14] * 3) == 30 and after(5.9, lows=[6.16] * 3) == 10


def test_gas_explains_a_low_ph() -> None:
    fed = LIMITS + FED
    assert after(5.8, fed, found="co2-overdose") is None and after(5.8, fed) is not None
    assert after(5.8, found="co2-overdose") is not None  # none is given here
    assert after(5.8, fed, slope=-0.085) is None and after(5.8, fed, slope=-0.075) is not None


def test_hardness_that_runs_out_is_said_ahead() -> None:
    """The whole curve sinks, and would pass the limit within a day."""
    for sinks, seen in ((0.075, False), (0.085, True)):
        lows = [6.2, 6.2 - sinks, 6.2 - 2 * sinks]
        highs = [7.2, 7.2 - sinks, 7.2 - 2 * sinks]
        told = after(6.05, lows=lows, highs=highs, creeps=True, residual=(0.0, -0.1))
        assert (told is not None) is seen
    new: dict[str, Any] = {"lows": [6.5], "highs": [7.0], "creeps": True}
    assert after(6.1, residual=(0.0, 0.024), **new) is None
    assert after(6.1, residual=(0.0, 0.026), **new) is not None
    # without their lamp plants take up no gas: that is not going on for a day
    dark = moment(0, "light-missing")
    assert after(6.1, residual=(0.0, 0.026), about=dark, **new) is None
    assert after(5.9, residual=(0.0, 0.026), about=dark, **new) is not None


def test_a_first_day_that_was_not_at_rest_is_no_hardness_that_runs_out() -> None:
    """It sank to where it stays: the highest of the last day is above the day's before, or the lowest is."""
    sinks: dict[str, Any] = {"creeps": True, "residual": (0.0, 0.0)}
    for lows, highs, seen in (
        ([6.4, 6.2, 6.15], [7.4, 7.2, 7.1], True),
        ([6.4, 6.2, 6.15], [7.4, 7.1, 7.2], False),
        ([6.4, 6.1, 6.15], [7.4, 7.2, 7.1], False),
    ):
        assert (after(6.7, lows=lows, highs=highs, **sinks) is not None) is seen


def test_where_no_gas_is_given_a_fall_is_acid() -> None:
    assert after(6.1, lows=[6.26] * 3, slope=-0.2) is not None
    assert after(6.1, lows=[6.24] * 3, slope=-0.2) is None
    assert after(6.1, LIMITS + FED, lows=[6.26] * 3, slope=-0.2) is None
    # three hours to the limit at its pace; a step over a gap is no pace
    assert after(6.29, lows=[6.5] * 3, slope=-0.1) is not None
    assert after(6.31, lows=[6.5] * 3, slope=-0.1) is None
    assert after(6.1, lows=[6.26] * 3, slope=-0.2, fall=0.0) is None
    # nor one that has slowed: softer water that was poured in lowers it at once and no further
    for lately, seen in ((-0.065, True), (-0.055, False)):
        assert (after(6.1, lows=[6.26] * 3, slope=-0.2, lately=lately) is not None) is seen
    # so it must go on for half an hour, however steep; past the limit it is told at once
    assert after(6.1, lows=[6.5] * 3, slope=-0.4) == 30
    assert after(6.1, lows=[6.5] * 3, slope=-0.4, lately=-0.4) == 10  # it has for two hours
    assert after(5.95, lows=[6.5] * 3, slope=-0.4, lately=-0.4) == 0


def test_what_rises_past_the_limit_within_the_hour() -> None:
    warm = {"rise": 0.3, "lately": 0.3, "slope": 0.3}
    assert after(7.8, highs=[7.64] * 3, **warm) is not None and after(7.8, highs=[7.66] * 3, **warm) is None
    for lately, seen in ((0.1, True), (0.08, False)):
        assert (after(7.8, highs=[7.4] * 3, **(warm | {"lately": lately})) is not None) is seen


def test_what_rises_where_gas_may_only_be_leaving() -> None:
    """Beyond the pH of water without any, or faster, or higher than any day; it loses gas fast."""
    fed, lossy = LIMITS + FED, {"loss_per_h": 1.3}
    for degassed, seen in ((7.74, True), (7.76, False)):
        text = fed.replace("ph_high", f"degassed_ph = {degassed}\nph_high")
        assert (after(7.8, text, highs=[7.6] * 3, rise=0.3, lately=0.3, **lossy) is not None) is seen
    text = fed.replace("ph_high", "degassed_ph = 7.9\nph_high")
    for rise, seen in ((0.39, False), (0.41, True)):
        assert (after(7.8, text, highs=[7.6] * 3, rise=rise, lately=rise, **lossy) is not None) is seen
    for highest, seen in ((7.56, False), (7.54, True)):
        assert (after(7.8, text, highs=[highest] * 3, rise=0.3, lately=0.3, **lossy) is not None) is seen


def test_no_more_gas_lifts_ph_only_so_far() -> None:
    text = LIMITS.replace("ph_high", "degassed_ph = 7.8\nph_high")
    risen = {"highs": [7.5] * 3, "rise": 0.45, "lately": 0.45, "slope": 0.45, "loss_per_h": 2.0}
    assert after(7.8, text + FED, found="co2-absent", **risen) is None
    assert after(7.8, text + FED, **risen) is not None
    # past the limit of the animals it is told, whatever lifts it
    assert after(7.99, text, found="co2-absent") is None and after(8.06, text, found="co2-absent") is not None


@pytest.mark.parametrize(
    ("slope", "rate", "seen"),
    [
        (-0.65, -0.2, True), (-0.75, -0.2, False), (-1.45, None, True), (-1.55, None, False),
        (1.45, -0.2, True), (1.55, -0.2, False),
    ],
)  # fmt: skip
def test_water_that_is_poured_in_lifts_it_no_further(slope: float, rate: float | None, seen: bool) -> None:
    """It cools the water by twice the usual and 0.3 °C an hour, or warms it by half more than the heater."""
    tank = tank_of()
    scale = tank.heating_rate_c_per_h if slope > 0 else 1.0
    about = moment(0, temperature=24.0)
    about.heat.slope, about.heat.cooling_rate = slope * scale, rate
    known = {"highs": [7.4] * 3, "rise": 0.3, "lately": 0.3}
    assert (after(7.8, about=about, **known) is not None) is seen


def test_when_it_is_over() -> None:
    for ph, there in ((6.09, True), (6.11, False)):
        assert (ranged(ph, active="ph-out-of-range")[1] is not None) is there
    sinks = {"creeps": True, "lows": [6.1] * 1, "residual": (0.0, 0.001)}
    for ph, there in ((6.29, True), (6.31, False)):
        assert (ranged(ph, active="ph-out-of-range", **sinks)[1] is not None) is there
