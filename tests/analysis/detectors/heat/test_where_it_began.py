"""What speaks against a heater: where a rise began, how much warm water loses, and what was poured in.

Balances and courses are made up, just inside each rule and just outside. Common practice, no source.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat import heater_test
from rushlight.analysis.detectors.heat.balance import explained_slope
from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_dead import HeaterDead
from rushlight.analysis.detectors.heat.heater_stuck import HeaterStuck
from rushlight.analysis.detectors.heat.heater_test import Verdict
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.analysis.estimators.thermal_model import ThermalModel
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.heat.test_heater_limits import DRAWS, balance, tank_of
from tests.analysis.detectors.heat.test_heater_limits import moment as at_work
from tests.analysis.detectors.heat.test_weighed_limits import FLOOR, NOW, warm

PICKS = HeaterMemory(picks=[FLOOR, FLOOR + 0.02, FLOOR - 0.5])  # it usually comes on at FLOOR


def rise(began: float, turned: float | None = None, rising: bool = True, **known: Any) -> HeaterCycle:
    """A rise that began so far above where the heater comes on."""
    from_c = FLOOR + began
    return HeaterCycle(rising=rising, from_c=from_c, turned_c=from_c if turned is None else turned, **known)


# -- where the rise began ---------------------------------------------------------------------------


def stuck(
    cycle: HeaterCycle,
    memory: HeaterMemory = PICKS,
    low: float = 24.0,
    verdict: Verdict | None = None,
    **known: Any,
) -> bool:
    """Whether half an hour of clear heat, half a degree above what the heater holds, is its own."""
    judge = HeaterStuck()
    usual = {"temperature": 26.5, "slope": 0.8, "quarter": 0.8, "explained": 0.0, "room": 20.0}
    found = None
    for minute in range(30):
        heat = balance(minute, **(usual | known))
        found = judge.finding(tank_of(), at_work(heat.now), heat, None, [low], verdict, cycle, memory)
    return found is not None


def test_contacts_weld_while_they_are_closed() -> None:
    """So a stuck heater's rise begins where the heater comes on; room, lamp and sun begin anywhere."""
    assert stuck(rise(0.28)) and not stuck(rise(0.32))


def test_where_it_began_is_not_always_known() -> None:
    assert stuck(rise(0.5, turned=25.0))  # it was disturbed since
    assert stuck(rise(0.5, rising=False))
    assert stuck(rise(0.5), HeaterMemory(picks=[FLOOR, FLOOR]))  # the tank has not shown where it comes on
    assert not stuck(rise(0.5))


def test_a_slow_heater_may_have_come_on_hours_ago() -> None:
    """Three hours at 0.3 °C an hour are less than its cycle and what it is above it."""
    sure, unsure = (Verdict("stuck", nats, False, "other heat", 10.0) for nats in (6.1, 5.9))
    late = {"room": None, "low": 25.5}
    assert stuck(rise(0.0, by_heater=True), verdict=sure, **late)
    assert not stuck(rise(0.0, by_heater=True), verdict=unsure, **late)  # it may have let go unseen
    assert not stuck(rise(0.0), verdict=sure, **late)
    assert not stuck(rise(0.0, rising=False, by_heater=True), verdict=sure, **late)


def test_a_meter_knows_better_than_where_it_began() -> None:
    assert stuck(rise(0.5), power=100.0, full=100.0)
    assert DRAWS == {"power": 100.0, "full": 100.0}


def test_a_dial_turned_up_is_one_stuck_heater_in_twenty() -> None:
    """exp(3) = 20: three nats less."""
    near = warm(0.25, 60, explained=-0.7, cycle=rise(0.28, tops=[25.0] * 3), memory=PICKS)
    far = warm(0.25, 60, explained=-0.7, cycle=rise(0.32, tops=[25.0] * 3), memory=PICKS)
    assert near is not None and far is not None
    assert math.log(near.odds / far.odds) == pytest.approx(3.0, abs=0.01)


# -- what it loses ----------------------------------------------------------------------------------


def test_water_five_degrees_too_warm_loses_more_than_is_usual() -> None:
    """dT/dt = (T_room - T) / tau: 5.5 °C more at 10 h are 0.55 °C/h (lumped capacitance, from memory)."""
    far = {"room": None, "explained": 0.0, "cycle": HeaterCycle(tops=[20.0] * 3, heats=[1.0] * 3)}
    slow, fast = warm(1.0, 60, **far), warm(1.0, 60, tau_h=10.0, **far)
    assert slow is not None and fast is not None
    assert slow.named and not fast.named  # 1.0 °C/h is what the heater gives, and more than it leaves


def test_until_its_pace_is_shown_a_heater_may_be_another_than_was_typed() -> None:
    known = warm(2.0, 60, explained=0.0, cycle=HeaterCycle(tops=[25.0] * 3, heats=[1.0] * 3))
    typed = warm(2.0, 60, explained=0.0, cycle=HeaterCycle(tops=[25.0] * 3))
    assert known is not None and typed is not None and known.runner_up == typed.runner_up == "poured"
    # 1.0 °C/h too fast, against errors of 0.4 and 0.6 and the model's own of 0.05
    expected = 0.5 / (0.16 + 0.05**2) - 0.5 / (0.36 + 0.05**2)
    assert math.log(typed.odds / known.odds) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(("slope", "named"), [(0.77, True), (0.83, False)])
def test_no_heater_heats_much_faster_than_it_was_seen_to(slope: float, named: bool) -> None:
    """0.3 °C/h seen, and what a lamp gives beside it, 0.5; of 1.0 by its watts nothing is left."""
    known = {"slope": slope, "quarter": slope}
    assert stuck(rise(0.0, heats=[0.3] * 3), **known) is named
    assert stuck(rise(0.0), **known)  # the twin: its pace was not seen


# -- a lamp that has not shown itself ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("on", "due", "level", "slope"),
    [
        (None, True, 4000.0, 0.25),
        (None, False, 4000.0, 0.0),
        (False, True, 4000.0, 0.0),  # it is out
        (False, True, None, 0.25),  # the first day: nobody knows how bright it is
        (True, False, None, 0.25),
    ],
)
def test_a_lamp_that_is_due_warms_the_water(
    on: bool | None, due: bool, level: float | None, slope: float
) -> None:
    about = Moment(Frame(NOW, NOW + 60_000, None, None, None, None, None, {}), 0, 800.0, True, set())
    about.lamp.on, about.lamp.should_be_on, about.lamp.level_lx = on, due, level
    said = explained_slope(tank_of(), about, 25.0, 25.0, ThermalModel(), DailyProfile())
    assert said == pytest.approx(slope)


# -- a heater that is dead, or not -------------------------------------------------------------------


def dead(verdict: Verdict | None = None, **known: Any) -> bool:
    judge, found = HeaterDead(), None
    for minute in range(60):
        heat = balance(minute, temperature=23.5, slope=-0.2, **known)
        found = judge.finding(tank_of(), at_work(heat.now), heat, HeaterMemory(), ThermalModel(), verdict)
    return found is not None


def test_a_warmer_room_makes_no_water_too_cold() -> None:
    assert not dead(unheated=0.01) and dead(unheated=-0.01)


@pytest.mark.parametrize(("odds", "poured"), [(3.9, False), (4.1, True)])
def test_water_poured_in_that_is_likelier(odds: float, poured: bool) -> None:
    nats = {"works": -9.0, "dead": -1.0, "weak": -5.0, "draught": -9.0, "poured": -1.0 + math.log(odds)}
    verdict = heater_test._verdict(nats, 9.0, ("dead", "weak"), "draught", False)
    assert verdict.poured is poured and not verdict.told
    assert dead(verdict) is not poured


# -- at every hour -----------------------------------------------------------------------------------

LIVING = """
[tanks.alcove]
volume_litres = 112
timezone = "UTC"
report_every_s = 60
[tanks.alcove.livestock]
temperature_low_c = 21.0
temperature_high_c = 27.0
[tanks.alcove.heater]
setpoint_c = 24.0
watts = {watts}
[tanks.alcove.light]
on = "10:00"
off = "19:00"
"""


@pytest.mark.parametrize("hour", range(0, 24, 3))
@pytest.mark.parametrize("watts", [100, 300])
def test_two_degrees_an_hour_are_a_heater_at_every_hour(watts: int, hour: int) -> None:
    """300 W in 112 L give 2.1 °C/h. 100 W give 0.7; but what else would go on for hours, by night too?"""
    watch = TankWatch("alcove", parse_settings(LIVING.format(watts=watts)).tanks["alcove"])
    begun = 2 * 1440 + hour * 60
    names = []
    for minute in range(begun + 150):
        day = minute % 1440 / 60
        celsius = 24.0 + 0.3 * math.sin((day - 8) / 24 * 2 * math.pi) + math.sin(minute / 13) / 40
        celsius += max(0, minute - begun) / 30
        at = 1_773_273_600_000 + minute * 60_000
        seen = {"temperature": celsius, "light": (6400 + 40 * math.sin(minute / 5)) * (10 <= day < 19) + 3}
        for quantity, value in seen.items():
            events = watch.feed(Reading("alcove", quantity, at, round(value, 3), Flag.PASS))
            names += [event.alarm for event in events if event.event == "raised"]
        if minute == begun:
            assert names == []
    assert "heater-stuck-on" in names
