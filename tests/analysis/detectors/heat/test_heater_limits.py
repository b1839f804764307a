"""Where each rule of the heater begins: a balance of heat just inside it and just outside.

The balance is made up and given to the judgement as it is, so that each rule is met alone. The figures are
common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_dead import HeaterDead
from rushlight.analysis.detectors.heat.heater_stuck import HeaterStuck
from rushlight.analysis.detectors.heat.urgency import urgency
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.thermal_model import ThermalModel
from rushlight.analysis.findings import Finding
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.heat.slopes import Slopes

MINUTE = 60_000
HOUR = 60
BEGAN = 1_772_323_200_000
TEXT = (
    '[tanks.sill]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.sill.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\n"
    "[tanks.sill.heater]\nsetpoint_c = 25\n"
)


def tank_of(cooler_c: float | None = None) -> Tank:
    cooler = "" if cooler_c is None else f'[tanks.sill.cooler]\nkind = "fan"\nsetpoint_c = {cooler_c}\n'
    return Tank("sill", parse_settings(TEXT + cooler).tanks["sill"])


def balance(minute: float, **known: Any) -> HeatNow:
    """A balance of which nothing is known but what is given; the heater holds 24 to 26 °C, 1 °C/h by it."""
    usual: dict[str, Any] = {name: None for name in HeatNow.__struct_fields__}
    usual |= {"temperature": 25.0, "floor": 24.0, "ceiling": 26.0, "full": 0.0, "rate": 1.0, "learnt": True}
    usual["course"] = Slopes(9, quarter=known.pop("quarter", None), hour=known.pop("hour", None))
    usual["room"] = 20.0 if "unheated" in known else None
    return HeatNow(**(usual | known | {"now": BEGAN + round(minute * MINUTE)}))


def moment(now_ms: int, active: str = "") -> Moment:
    frame = Frame(now_ms, now_ms + MINUTE, None, None, None, None, None, {})
    return Moment(frame, 0, 800.0, True, {active} if active else set())


# -- a heater that doesn't heat ---------------------------------------------------------------------


def picks(*celsius: float) -> HeaterMemory:
    return HeaterMemory(picks=list(celsius), metered=True)


class Cold:
    """`under` °C below what the heater holds."""

    def __init__(self, memory: HeaterMemory | None = None, active: bool = False) -> None:
        self.dead, self.memory, self.active = HeaterDead(), memory or HeaterMemory(), active

    def at(self, minute: float, under: float, **known: Any) -> Finding | None:
        heat = balance(minute, temperature=24.0 - under, **known)
        about = moment(heat.now, "heater-not-heating" if self.active else "")
        return self.dead.finding(tank_of(), about, heat, self.memory, ThermalModel(), None)

    def first(self, under: float, **known: Any) -> int | None:
        """After how many minutes it is an alarm."""
        return next((n for n in range(2 * HOUR) if self.at(n, under, **known)), None)


def unheated(under: float, memory: HeaterMemory | None = None, **known: Any) -> int | None:
    return Cold(memory).first(under, **known)


def test_how_cold_and_how_long() -> None:
    assert unheated(0.29, slope=-0.1) is None and unheated(0.31, slope=-0.1) == 15
    assert unheated(0.95, slope=-0.1) == 15 and unheated(1.05, slope=-0.1) == 5


def test_a_heater_that_always_comes_on_at_one_temperature_leaves_less_doubt() -> None:
    sure = picks(*[24.0] * 6)
    assert unheated(0.14, sure, slope=-0.1) is None and unheated(0.16, sure, slope=-0.1) == 30
    assert unheated(0.2, picks(*[24.0] * 5), slope=-0.1) is None
    for apart, seen in ((0.06, 30), (0.07, None)):  # spread: 1.4826 of the middle distance
        spread = picks(24 - apart, 24 - apart, 24 - apart, 24 + apart, 24 + apart, 24 + apart)
        assert unheated(0.2, spread, slope=-0.1) == seen


@pytest.mark.parametrize(
    ("under", "inside", "outside", "known"),
    [
        (0.5, -0.065, -0.055, {}),
        (0.5, -0.095, -0.085, {"usual_fall": -0.15}),
        (0.8, -0.075, -0.065, {"usual_fall": -0.2}),
        (0.5, -0.125, -0.115, {"usual_fall": -1.0}),
        (1.1, 0.018, 0.022, {}),
        (0.5, -0.035, -0.025, {"unheated": -0.2}),
        (1.1, 0.045, 0.055, {"unheated": 0.0}),
        (1.1, -0.06, -0.03, {"unheated": -0.4}),
        (0.5, -1.45, -1.55, {}),
        (0.5, -0.48, -0.52, {"usual_fall": -0.1}),
        (0.5, -0.85, -0.9, {"usual_fall": -0.1, "unheated": -0.4}),
    ],
)
def test_how_unheated_water_falls(under: float, inside: float, outside: float, known: dict[str, Any]) -> None:
    """Faster is colder water poured in, slower is a heater at work."""
    assert unheated(under, slope=inside, **known) is not None
    assert unheated(under, slope=outside, **known) is None


def test_water_far_below_needs_to_fall_less() -> None:
    assert unheated(0.69, slope=-0.1, usual_fall=-0.2) is None
    assert unheated(0.71, slope=-0.1, usual_fall=-0.2) is not None


def test_falling_over_the_hour_is_falling() -> None:
    assert unheated(0.5, slope=0.0, hour=-0.035, unheated=-0.2) is not None
    assert unheated(0.5, slope=0.0, hour=-0.025, unheated=-0.2) is None


def plugged(*watts: float) -> HeaterMemory:
    """A metering plug's last minutes."""
    memory = HeaterMemory()
    for n, one in enumerate(watts):
        memory.watts.add(BEGAN + (n - len(watts)) * MINUTE, one)
    return memory


def test_by_the_meter() -> None:
    metered = {"power": 0.0, "full": 100.0}
    assert unheated(0.5, plugged(*[49.0] * 10), **metered) == 15
    assert unheated(0.5, plugged(*[51.0] * 10), **metered) is None
    assert unheated(0.5, plugged(60.0, *[0.0] * 9), **metered) is None
    assert unheated(0.5, plugged(60.0, *[0.0] * 10), **metered) == 15
    weak = {"power": 0.0, "slope": 0.3}
    assert unheated(0.5, plugged(*[0.0] * 10), full=5.1, **weak) == 15
    assert unheated(0.5, plugged(*[0.0] * 10), full=4.9, **weak) is None


@pytest.mark.parametrize(
    ("works", "idle", "known"),
    [
        (0.085, 0.075, {"rate": 0.1}),
        (0.41, 0.39, {}),
        (0.61, 0.59, {"rate": 0.1, "usual_rise": 1.0}),
        (0.51, 0.49, {"unheated": 0.0}),
    ],
)
def test_how_heated_water_rises(works: float, idle: float, known: dict[str, Any]) -> None:
    assert Cold(active=True).at(0, 0.5, slope=works, **known) is None
    assert Cold(active=True).at(0, 0.5, slope=idle, **known) is not None


def test_a_heater_seen_at_work_is_not_dead_for_twenty_minutes() -> None:
    cold = Cold(active=True)
    assert cold.at(0, 0.5, slope=0.5) is None
    assert cold.at(19, 0.5, slope=0.0) is None and cold.at(20, 0.5, slope=0.0) is not None


def test_four_minutes_of_power_are_a_heater_at_work() -> None:
    metered = {"power": 60.0, "full": 100.0}
    assert Cold(plugged(0, *[60.0] * 5), active=True).at(0, 0.5, **metered) is None
    assert Cold(plugged(0, 0, *[60.0] * 4), active=True).at(0, 0.5, **metered) is not None
    assert Cold(plugged(0, *[49.0] * 5), active=True).at(0, 0.5, **metered) is not None


def test_water_that_was_held_for_a_day_has_a_heater() -> None:
    for hours, alarm in ((23.5, True), (24.5, False)):
        cold = Cold(active=True)
        cold.at(0, -0.1, slope=-0.2)
        assert bool(cold.at(hours * HOUR, -0.1, slope=-0.2)) is alarm


def test_where_it_was_seen_to_come_on_since() -> None:
    for minute, alarm in ((39, True), (41, False)):
        memory = HeaterMemory(picks=[23.5, 23.5], last_pick_ms=BEGAN + minute * MINUTE)
        cold = Cold(memory, active=True)
        cold.dead.since = BEGAN
        assert bool(cold.at(60, 0.5, slope=-0.2)) is alarm


def test_the_alarm_holds_near_what_the_heater_holds() -> None:
    for under, holding in ((0.09, True), (0.11, False)):
        found = Cold(active=True).at(0, under, slope=-0.2)
        assert found is not None and found.holding is holding


def test_a_room_that_is_hardly_colder_than_the_limit_takes_the_water_nowhere() -> None:
    for room, known in ((17.85, False), (17.75, True)):
        found = Cold(active=True).at(0, 0.5, slope=-0.2, unheated=-0.2, room=room)
        assert found is not None and (found.time_left_s is not None) is known


@pytest.mark.parametrize(
    ("hours", "priority"), [(0.95, "critical"), (1.05, "high"), (9.8, "high"), (10.2, "medium")]
)
def test_how_urgent_a_limit_ahead_is(hours: float, priority: str) -> None:
    assert urgency(hours * 3600) == priority


# -- a heater that stays on -------------------------------------------------------------------------


class Warm:
    """`over` °C above what the heater holds; with a meter, unless something else is known."""

    def __init__(self, cooler_c: float | None = None) -> None:
        self.stuck, self.active, self.tank = HeaterStuck(), False, tank_of(cooler_c)

    def at(
        self, minute: float, over: float, usual: float | None = None, low: float = 24.0, **known: Any
    ) -> Finding | None:
        heat = balance(minute, **({"temperature": 26.0 + over} | known))
        about = moment(heat.now, "heater-stuck-on" if self.active else "")
        return self.stuck.finding(self.tank, about, heat, usual, [low])

    def first(self, over: float, begin: int = 0, **known: Any) -> int | None:
        return next((n for n in range(begin, begin + HOUR) if self.at(n, over, **known)), None)


DRAWS = {"power": 100.0, "full": 100.0}


def welded(over: float, cooler_c: float | None = None, **known: Any) -> int | None:
    return Warm(cooler_c).first(over, **known)


def test_how_warm_and_how_long() -> None:
    assert welded(0.14, **DRAWS) is None and welded(0.16, **DRAWS) == 15
    assert welded(0.95, **DRAWS) == 15 and welded(1.05, **DRAWS) == 5
    rising = {"slope": 0.8, "quarter": 0.8, "explained": 0.0, "room": 20.0}
    assert welded(0.29, **rising) is None and welded(0.31, **rising) == 15


def test_warmer_than_is_usual_at_this_hour() -> None:
    assert welded(0.5, usual=26.05, **DRAWS) == 15 and welded(0.5, usual=26.15, **DRAWS) is None
    assert welded(1.45, usual=28.0, **DRAWS) is None and welded(1.55, usual=28.0, **DRAWS) == 5


def test_what_a_heater_draws_that_heats() -> None:
    assert welded(0.5, power=41.0, full=100.0) == 15 and welded(0.5, power=39.0, full=100.0) is None


def test_warmer_water_poured_in() -> None:
    assert welded(0.5, slope=1.75, **DRAWS) == 15 and welded(0.5, slope=1.85, **DRAWS) is None
    assert welded(0.5, slope=3.5, usual_rise=2.0, **DRAWS) == 15


def rises(slope: float, quarter: float | None = None, explained: float = 0.0, **known: Any) -> int | None:
    quarter = slope if quarter is None else quarter
    return welded(0.5, slope=slope, quarter=quarter, explained=explained, **known)


def test_what_room_and_lamp_do_not_explain() -> None:
    """0.4 of what the heater gives where the room is measured, and 0.15 of it in the last quarter."""
    assert rises(0.41, room=20.0) == 15 and rises(0.39, room=20.0) is None
    assert rises(0.16, rate=0.2, room=20.0) == 15 and rises(0.14, rate=0.2, room=20.0) is None
    assert rises(0.5, quarter=0.16, room=20.0) == 15 and rises(0.5, quarter=0.14, room=20.0) is None


def test_what_rises_without_a_room_probe() -> None:
    assert rises(0.56) == 15 and rises(0.54) is None
    assert rises(0.085, explained=-0.1, rate=0.1) == 15 and rises(0.075, explained=-0.1, rate=0.1) is None


def test_before_anything_is_learnt() -> None:
    assert welded(0.5, slope=0.36) == 15 and welded(0.5, slope=0.34) is None
    for below, seen in ((0.6, 15), (0.4, None)):
        assert rises(0.8, room=26.0 - below, learnt=False) == seen


def test_it_leaves_from_within_its_own_cycle() -> None:
    assert rises(0.8, low=24.55 + 1.0, floor=None) == 15 and rises(0.8, low=24.65 + 1.0, floor=None) is None
    assert rises(0.8, low=25.15) == 15 and rises(0.8, low=25.25) is None


def test_a_cooler_that_has_stopped_looks_alike() -> None:
    """Where one may have been at work, nearly all that the heater gives is asked for."""
    at_work = {"cooler_c": 26.5, "room": 28.0}
    assert rises(0.81, **at_work) == 15 and rises(0.79, **at_work) is None
    assert rises(0.31, rate=0.2, **at_work) == 15 and rises(0.29, rate=0.2, **at_work) is None
    assert rises(0.5, cooler_c=26.75, room=28.0) is None and rises(0.5, cooler_c=26.85, room=28.0) == 15
    assert rises(0.76, cooler_c=26.5) == 15 and rises(0.74, cooler_c=26.5) is None


@pytest.mark.parametrize(
    ("over", "slope", "known", "ends"),
    [
        (0.5, -0.11, {}, True),
        (0.5, -0.09, {}, False),
        (0.5, -0.21, {"usual_fall": -0.4}, True),
        (0.5, -0.19, {"usual_fall": -0.4}, False),
        (0.5, -0.095, {"usual_fall": -0.1}, False),
        (0.09, -0.01, {}, True),
        (0.11, -0.01, {}, False),
    ],
)
def test_water_that_falls_as_it_does_without_heat(
    over: float, slope: float, known: dict[str, Any], ends: bool
) -> None:
    warm = Warm()
    warm.active = True
    assert (warm.at(0, over, slope=slope, hour=slope, **known) is None) is ends


def test_a_cooler_at_work_against_the_heater_makes_it_fall_too() -> None:
    for cooler_c, ends in ((27.6, False), (27.8, True)):
        warm = Warm(cooler_c)
        warm.active = True
        assert (warm.at(0, 0.5, slope=-0.3, hour=-0.3) is None) is ends


@pytest.mark.parametrize(
    ("lasted", "hours", "more", "seen"),
    [(31, 71, 0.19, False), (31, 71, 0.21, True), (31, 73, 0.0, True), (29, 71, 0.0, True)],
)
def test_what_another_heat_has_made_as_warm_is_no_sign_of_it(
    lasted: int, hours: int, more: float, seen: bool
) -> None:
    warm, rising = Warm(), {"slope": 0.8, "quarter": 0.8, "explained": 0.0, "room": 20.0}
    assert warm.first(0.5, **rising) == 15
    warm.active = True
    assert warm.at(16, 0.5, **rising) is not None
    since = (warm.stuck.since - BEGAN) // MINUTE
    assert warm.at(since + lasted, 0.5, slope=-0.3, hour=-0.3) is None
    warm.active = False
    begin = lasted + hours * HOUR
    assert (warm.first(0.5 + more, begin=begin, **rising) is not None) is seen
