"""What is believed of heater, room and cooler where one is at work beside another."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.heat.balance import learn_model
from rushlight.analysis.detectors.heat.cooler_memory import CoolerMemory
from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_dead import HeaterDead
from rushlight.analysis.detectors.heat.heater_stuck import HeaterStuck
from rushlight.analysis.detectors.heat.heater_test import Verdict, _verdict, next_likeliest
from rushlight.analysis.detectors.heat.limits import TemperatureLimits
from rushlight.analysis.estimators.daily import DailyExtremes
from rushlight.analysis.estimators.thermal_model import ThermalModel
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.collector.settings import CoolerSettings
from tests.analysis.detectors.heat import test_heat_limits as water
from tests.analysis.detectors.heat import test_heater_limits as heater
from tests.analysis.detectors.heat import test_weighed_limits as weighed

MINUTE, BEGAN = water.MINUTE, water.BEGAN
KNOWN: dict[str, Any] = {"heats": [0.5] * 3}


# -- how the tank cools -----------------------------------------------------------------------------


def learnt(
    let_go: int | None,
    lit: bool = False,
    slope: float = -0.4,
    memory: HeaterMemory | None = None,
    **cycle: Any,
) -> ThermalModel:
    """Of water that falls in a room of 16 °C; `let_go`: minutes since the heater was seen to let go."""
    model, window = ThermalModel(), Window(37)
    for n in range(13):
        window.add(BEGAN + (n - 12) * 5 * MINUTE, 24.0 + slope * (n - 12) / 12)
    let_go_ms = -1 if let_go is None else BEGAN - let_go * MINUTE
    known: Any = SimpleNamespace(
        model=model, window=window, heater=memory or HeaterMemory(),
        cycle=HeaterCycle(let_go_ms=let_go_ms, **cycle),
    )  # fmt: skip
    about = water.moment(0)
    about.lamp.on = lit
    learn_model(known, about, 24.0, 16.0)
    return model


@pytest.mark.parametrize(
    ("let_go", "counts"), [(None, False), (25, False), (30, True), (60, True), (65, False)]
)
def test_a_fall_counts_where_the_heater_was_seen_to_let_go(let_go: int | None, counts: bool) -> None:
    """Over the half-hour of a slope, and no longer than an hour: a second heater may have come on since."""
    assert bool(learnt(let_go, **KNOWN).falls) is counts
    assert bool(learnt(let_go, **KNOWN).taus) is counts
    assert learnt(let_go).falls  # a heater that was never seen: nothing better is known


def test_under_the_lamp_a_fall_tells_of_the_room_only() -> None:
    lit = learnt(40, lit=True, **KNOWN)
    assert lit.taus == pytest.approx([8.0 / 0.4]) and not lit.falls
    assert not learnt(None, lit=True).taus and learnt(None).taus


def test_by_the_meter_a_heater_is_seen_to_be_off() -> None:
    for minutes, counts in ((29, False), (31, True)):
        memory = HeaterMemory(metered=True, drew_ms=BEGAN - minutes * MINUTE)
        assert bool(learnt(None, memory=memory).falls) is counts


def test_a_rise_counts_as_ever() -> None:
    assert learnt(None, slope=0.4, **KNOWN).rises and not learnt(None, lit=True, slope=0.4, **KNOWN).rises


@pytest.mark.parametrize(("sharp", "learn"), [(True, True), (False, True), (True, False)])
def test_a_heater_lets_go_in_a_sharp_turn_that_is_its_own(sharp: bool, learn: bool) -> None:
    """By 0.35 of the 0.5 °C an hour that it should give: 0.175."""
    cycle, celsius, slope = HeaterCycle(), 24.0, 0.09 if sharp else 0.08
    for n in range(48):
        celsius += slope / 12 if n < 24 else -slope / 12
        cycle.add(BEGAN + n * 5 * MINUTE, celsius, 0.005, 0.5, learn)
    assert cycle.rising is False and cycle.turned_ms == BEGAN + 23 * 5 * MINUTE
    assert (cycle.let_go_ms == cycle.turned_ms) is (sharp and learn)


# -- a heater that works, and is too weak for the night ---------------------------------------------


@pytest.mark.parametrize(("own", "dead"), [(-0.95, True), (-0.5, False)])
def test_water_that_fell_slower_than_it_would_was_heated(own: float, dead: bool) -> None:
    """In a room that would take 1 °C an hour, 0.5 is a heater at work; it goes on so, and none is dead."""
    verdict = weighed.cold(own, 60, own=own, cycle=HeaterCycle(rising=False))
    assert verdict is not None
    assert (verdict.name == "dead" and verdict.told) is dead


def falls(under: float, left: float, slope: float = -0.2, tau_h: float = 20.0) -> bool:
    """Whether the lower limit is told ahead: `under` what the heater holds, `left` above the limit."""
    level = 18.0 + left
    window = Window(100)
    for n in range(37):
        window.add(BEGAN + (n - 36) * 5 * MINUTE, level + slope * (n - 36) / 12)
    days = DailyExtremes(lows=[level + 1.0], highs=[level + 2.0])
    return bool(
        TemperatureLimits().findings(
            water.tank_of(), water.moment(0), level, window, days, None, False, (level + under, tau_h)
        )
    )


def test_what_the_heater_can_not_hold_is_told_before_the_night_is_over() -> None:
    """0.2 °C/h in a tank of 20 h: 4 °C · (1 - e^(-10/20)) in ten hours (Newton's law of cooling)."""
    night = 0.2 * 20 * (1 - math.exp(-10 / 20))
    assert falls(0.5, night - 0.02) and not falls(0.5, night + 0.02)
    assert falls(0.31, 0.7, slope=-0.1) and not falls(0.29, 0.7, slope=-0.1)
    # for two hours already: it came 0.4 °C down in them
    assert falls(0.41, 1.5) and not falls(0.39, 1.5)
    assert falls(0.39, 0.55)  # three hours ahead, as for any water


# -- something else is likelier ---------------------------------------------------------------------


@pytest.mark.parametrize("outdone", [False, True])
def test_no_rule_of_thumb_against_what_is_surely_likelier(outdone: bool) -> None:
    said = Verdict("dead", 9.0, False, "poured", 1.0, outdone)
    dead, stuck = HeaterDead(), HeaterStuck()
    found: list[Finding | None] = []
    for n in range(40):
        cold = heater.balance(n, temperature=23.5, slope=-0.4)
        warm = heater.balance(n, temperature=26.5, slope=0.8, quarter=0.8, explained=0.0, room=20.0)
        about = heater.moment(cold.now)
        tank = heater.tank_of()
        found.append(dead.finding(tank, about, cold, HeaterMemory(), ThermalModel(), said))
        found.append(stuck.finding(tank, about, warm, None, [24.0], said))
    assert {one.alarm for one in found if one is not None} == (
        set() if outdone else {"heater-not-heating", "heater-stuck-on"}
    )


def test_it_is_sure_by_nineteen_to_one_and_a_draught_calls_for_the_same_look() -> None:
    """95 % are ln 19 = 2.944 nats."""
    for behind, outdone in ((2.9, False), (3.0, True)):
        nats = {"works": -9.0, "dead": -behind, "weak": -9.0, "poured": 0.0, "draught": -9.0}
        assert _verdict(nats, 0.0, ("dead", "weak"), "draught", True).outdone is outdone
        assert not _verdict(nats, 0.0, ("dead", "weak"), "draught", False).outdone
    draught = {"works": -9.0, "dead": -9.0, "weak": -9.0, "poured": -9.0, "draught": 0.0}
    assert not _verdict(draught, 0.0, ("dead", "weak"), "draught", True).outdone


def test_a_heater_that_draws_where_it_should_have_let_go_stays_on_whatever_else_warms() -> None:
    """Water that rises by 0.3 °C an hour: sun may do that. The meter says that the heater is on, too."""
    draws = HeaterMemory(metered=True, drew_ms=weighed.NOW, idle_ms=weighed.NOW - 60 * MINUTE)
    metered = weighed.warm(0.3, 40, memory=draws, power=100.0, full=100.0)
    assert metered is not None and metered.told and next_likeliest(metered) == ""
    alone = weighed.warm(0.3, 40)
    assert alone is not None and not alone.told


def test_a_meter_may_tell_below_the_usual_highest() -> None:
    heat = heater.balance(0, temperature=25.9, power=100.0, full=100.0)
    sure = Verdict("stuck", 20.0, True, "", 1000.0)
    found = HeaterStuck().finding(heater.tank_of(), heater.moment(heat.now), heat, None, [24.0], sure)
    assert found is not None and found.observations[0] == "water 25.9 °C"


# -- a heater's turn is no cooler's -----------------------------------------------------------------


def turns(lowest: float, from_c: float | None) -> CoolerMemory:
    memory, window = CoolerMemory(), Window(37)
    for step in range(36 * 6):
        place = step % 36
        value = lowest + 0.6 * (place / 24 if place <= 24 else 1 - (place - 24) / 12)
        window.add(BEGAN + step * 5 * MINUTE, value)
        memory.learn(CoolerSettings(setpoint_c=25.0), window, None, from_c)
    return memory


def test_where_the_heater_came_on_the_next_turn_is_its_own() -> None:
    assert turns(24.0, None).learnt is not None and turns(24.0, 24.0).learnt is None
    assert turns(24.5, 24.15).learnt is None and turns(24.5, 24.05).learnt is not None


@pytest.mark.parametrize(("from_c", "own"), [(24.14, True), (24.16, False), (0.0, False)])
def test_a_rise_from_where_the_heater_comes_on(from_c: float, own: bool) -> None:
    assert (HeaterCycle(from_c=from_c).heated_from(24.0) is not None) is own
    assert HeaterCycle(from_c=from_c).heated_from(None) is None
