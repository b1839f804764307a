"""Where a heater is seen to come on and to let go: just inside each rule and just outside.

The water's course is made of straight lines. Common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest

from rushlight.analysis.detectors.heat.cooler_memory import CoolerMemory
from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.heater_lets_go import HeaterTurns, Turn
from rushlight.analysis.estimators.window import Window
from rushlight.collector.settings import CoolerSettings

MINUTE = 60_000
HOUR = 60
BEGAN = 1_772_323_200_000


def bent(
    fall: float, rise: float, before: int = 60, after: int = 60, every: int = 5
) -> list[tuple[int, float]]:
    """Minutes and °C of water that falls by so many °C an hour until 0, and then rises; 24 °C there."""
    out = []
    for minute in range(-before, after + 1, every):
        out.append((minute, 24.0 + (-fall if minute < 0 else rise) * minute / HOUR))
    return out


# -- where it comes on, by the curve ----------------------------------------------------------------


def corner(
    course: list[tuple[int, float]],
    rate: float = 0.1,
    memory: HeaterMemory | None = None,
    every_min: float = 5.0,
) -> int | None:
    """After how many minutes the corner is seen."""
    memory, window = memory or HeaterMemory(), Window(37)
    for minute, celsius in course:
        window.add(BEGAN + minute * MINUTE, celsius)
        if memory.corner(window, rate, every_min):
            return minute
    return None


def test_how_much_is_looked_at_beside_a_corner() -> None:
    """Forty minutes, and three values where they are rarer; the lowest may be the value beside."""
    assert corner(bent(0.5, 0.5)) == 40 - 5
    assert corner(bent(0.5, 0.5, 180, 180, 30), every_min=30.0) == 90 - 30


def test_how_fast_it_falls_and_rises_there() -> None:
    assert corner(bent(0.032, 0.5)) and not corner(bent(0.028, 0.5))
    assert corner(bent(0.5, 0.053)) and not corner(bent(0.5, 0.047))
    assert corner(bent(0.06, 0.096)) and not corner(bent(0.06, 0.084))
    assert corner(bent(0.1, 0.26), rate=1.0) and not corner(bent(0.1, 0.24), rate=1.0)


def test_a_corner_is_the_lowest_about_it() -> None:
    for lower, seen in ((0.009, True), (0.011, False)):
        course = [(m, 23.99 - lower if m == -35 else c) for m, c in bent(0.5, 0.5, 45, 40)]
        low = [(m, c - 0.01 if abs(m) <= 5 else c) for m, c in course]
        flat = [(m, 23.99 if m == 0 else c) for m, c in low]
        assert bool(corner(flat)) is seen


@pytest.mark.parametrize(("minutes", "counts"), [(44, False), (45, True)])
def test_how_far_apart_corners_are(minutes: int, counts: bool) -> None:
    memory = HeaterMemory(last_pick_ms=BEGAN + (40 - minutes) * MINUTE)
    assert (corner(bent(0.5, 0.5, after=40), memory=memory) is not None) is counts
    memory = HeaterMemory(last_pick_ms=BEGAN)
    memory.saw(BEGAN + minutes * MINUTE, 24.0)
    assert bool(memory.picks) is counts


# -- by the meter -----------------------------------------------------------------------------------


class Plug:
    """A heater of 100 W on a metering plug, in water of 24 °C."""

    def __init__(self) -> None:
        self.memory, self.minute = HeaterMemory(peak_watts=100.0), 0

    def shows(self, watts: float, minutes: int = 1, celsius: float = 24.0) -> HeaterMemory:
        for _ in range(minutes):
            self.memory.meter(BEGAN + self.minute * MINUTE, watts, celsius, 100.0, calm=True)
            self.minute += 1
        return self.memory


def test_for_how_long_the_meter_must_say_it() -> None:
    memory = HeaterMemory()
    for minute, peak in ((0, 0.0), (1, 0.0), (2, 80.0)):
        memory.meter(BEGAN + minute * MINUTE, 80.0, None, 0.0, calm=True)
        assert memory.peak_watts == peak


def test_which_power_is_off() -> None:
    for watts, off in ((9.5, True), (10.5, False)):
        plug = Plug()
        plug.shows(100.0, 5)
        assert (plug.shows(watts, 3).on_since == -1) is off


def test_how_long_the_water_goes_on_falling() -> None:
    plug = Plug()
    plug.shows(100.0, 3)
    assert plug.shows(100.0, 44).picks == [] and plug.shows(100.0).picks == [24.0]


def test_how_long_a_reading_of_the_meter_counts() -> None:
    plug = Plug()
    plug.shows(80.0, 5)
    newest = BEGAN + 4 * MINUTE
    assert plug.memory.power(newest + 10 * MINUTE) == 80.0 and plug.memory.power(newest + 11 * MINUTE) is None
    plug = Plug()
    plug.shows(80.0, 10)
    for watts, minutes in ((80.0, 4), (60.0, 1), (40.0, 1)):  # the middle of ten minutes
        assert plug.shows(40.0, minutes).power(BEGAN + plug.minute * MINUTE) == watts
    assert len(plug.memory.watts.times) == 10


def test_the_last_twelve_times_count_and_a_low_one_of_them() -> None:
    plug = Plug()
    for n in range(20):
        plug.memory._keep(BEGAN, 20.0 + n)
        plug.memory.switches = plug.memory.picks[:2]
    assert plug.memory.picks == [28.0 + n for n in range(12)]
    assert plug.memory.switches_at() is None  # before three
    plug.memory.switches = [20.0 + n for n in range(9)]
    assert plug.memory.switches_at() == 22.0  # a quarter of them are lower
    plug.memory.switches = [20.0, 21.0, 22.0]
    assert plug.memory.switches_at() == 20.0
    for times, known in ((2, None), (3, 24.0)):
        assert HeaterMemory(picks=[24.0] * times).holds_from(None) == known


# -- where it lets go -------------------------------------------------------------------------------


def turns_of(course: list[tuple[int, float]]) -> HeaterTurns:
    turns = HeaterTurns()
    for minute, celsius in course:
        turns.course.add(BEGAN + minute * MINUTE, celsius)
    return turns


def turn(
    rise: float = 0.5,
    fall: float = 0.5,
    usual: float = -0.2,
    odd: dict[int, float] | None = None,
    **span: int,
) -> Turn | None:
    """The turn at 0 of water that rises until then and falls after it."""
    course = [(m, (odd or {}).get(m, c)) for m, c in bent(-rise, -fall, **({"after": 30} | span))]
    return turns_of(course).between(BEGAN - 5 * MINUTE, BEGAN + 5 * MINUTE, usual)


def test_when_a_turn_is_judged() -> None:
    assert turn(after=25) is not None and turn(after=20) is None
    assert turn(after=90) is not None and turn(after=95) is None
    assert turn(before=25) is not None and turn(before=20) is None


def test_how_water_goes_before_and_after_a_turn() -> None:
    assert turn(0.045, usual=-0.5) and not turn(0.035, usual=-0.5)
    assert turn(0.21, usual=0.0) and not turn(0.19, usual=0.0)
    assert turn(0.05, 0.16) and not turn(0.05, 0.14)
    assert turn(0.5, 0.105, usual=-0.1) and not turn(0.5, 0.095, usual=-0.1)
    assert turn(0.5, 0.61, usual=-1.0) and not turn(0.5, 0.59, usual=-1.0)


def test_over_how_long_it_went_so_before() -> None:
    for flat, whole in ((35, True), (30, False)):
        odd = {m: 24.0 - 0.5 * flat / HOUR for m in range(-60, -flat, 5)}
        found = turn(odd=odd)
        assert found is not None and (found.before == pytest.approx(0.5)) is whole


def test_it_stands_out_of_what_is_beside_it() -> None:
    assert turn(odd={15: 24.01}) is None and turn(odd={20: 24.01}) is not None


@pytest.mark.parametrize(("step", "hours"), [(0.38, -0.38), (0.5, -0.4)])
def test_how_far_a_turn_lies_from_the_highest_value(step: float, hours: float) -> None:
    odd = {m: 24.0 - step - 0.5 * m / HOUR for m in range(5, 35, 5)}
    found = turn(odd=odd)
    assert found is not None
    assert (found.time_ms - BEGAN) / MINUTE / HOUR == pytest.approx(hours, abs=1e-4)


def learns(
    from_min: int = -60, until: int = 90, off: int | None = None, turns: HeaterTurns | None = None
) -> HeaterTurns:
    """A course that is learnt from after so many minutes; the lamp goes off at `off`."""
    turns = turns or HeaterTurns()
    for minute, celsius in bent(-0.5, -0.5, after=until):
        off_ms = BEGAN + off * MINUTE if off is not None else -1
        turns.add(BEGAN + minute * MINUTE, celsius, -0.2, minute >= from_min, off_ms)
    return turns


def test_when_a_turn_is_learnt() -> None:
    assert learns(until=25).tops == [] and learns(until=30).tops == [24.0]
    assert learns(from_min=50).tops == [24.0] and learns(from_min=55).tops == []
    assert learns(until=30).times == [BEGAN]


def test_how_far_apart_turns_are_and_how_many_are_kept() -> None:
    for minutes, counts in ((39, 1), (41, 2)):
        assert len(learns(turns=HeaterTurns(times=[BEGAN - minutes * MINUTE], tops=[24.0])).tops) == counts
    many = HeaterTurns(
        times=[BEGAN - (900 - n) * MINUTE for n in range(8)], tops=[20.0 + n for n in range(8)]
    )
    assert learns(turns=many).tops == [*(21.0 + n for n in range(7)), 24.0]
    assert HeaterTurns(tops=[24.0] * 2).top is None and HeaterTurns(tops=[24.0] * 3).top == 24.0


def test_when_what_the_lamps_going_takes_is_seen() -> None:
    assert learns(until=35, off=0).lamp_drops == [] and learns(until=40, off=0).lamp_drops != []
    assert learns(from_min=60, off=0).lamp_drops != [] and learns(from_min=65, off=0).lamp_drops == []
    assert learns(off=0).lamp_drops == [pytest.approx(1.0)]
    kept = learns(off=0, turns=HeaterTurns(lamp_drops=[float(n) for n in range(8)])).lamp_drops
    assert kept == [3.0, 4.0, 5.0, 6.0, 7.0, pytest.approx(1.0)]


def with_lamp(
    rise: float = 0.5, lamp: float = 0.0, top: float = 25.0, apart: int = 60, drops: float | None = None
) -> bool:
    turns = turns_of(bent(-rise, -0.2, after=30))
    turns.tops, turns.times = [top] * 3, [BEGAN - n * apart * MINUTE for n in (3, 2, 1)]
    turns.lamp_drops = [] if drops is None else [drops]
    return turns.with_lamp(BEGAN + round(lamp * MINUTE), -0.2) is not None


def test_a_turn_with_the_lamp_is_short_of_where_it_lets_go() -> None:
    assert with_lamp(top=24.11) and not with_lamp(top=24.09)
    assert with_lamp(top=24.0, apart=151) and not with_lamp(top=24.0, apart=149)


def test_a_turn_together_with_the_lamp() -> None:
    assert with_lamp(lamp=7.4) and not with_lamp(lamp=7.6)
    assert with_lamp(lamp=-7.4) and not with_lamp(lamp=-7.6)


def test_a_turn_is_more_than_the_lamps() -> None:
    assert with_lamp(0.21) and not with_lamp(0.19)  # what a lamp usually warms, and what a turn changes
    assert with_lamp(0.31, drops=0.3) and not with_lamp(0.29, drops=0.3)


# -- the cycle --------------------------------------------------------------------------------------


def cycled(
    *celsius: float, noise: float = 0.0, rate: float = 1.0, cycle: HeaterCycle | None = None
) -> HeaterCycle:
    """Water by the half-hour."""
    cycle = cycle or HeaterCycle()
    for n, value in enumerate(celsius):
        cycle.add(BEGAN + n * 30 * MINUTE, value, noise, rate, True)
    return cycle


def test_by_how_much_water_turns() -> None:
    assert cycled(24.0, 24.085).rising is True and cycled(24.0, 24.075).rising is None
    assert cycled(24.0, 23.5, 23.585).rising is True and cycled(24.0, 23.5, 23.575).rising is False
    assert cycled(24.0, 24.21, noise=0.05).rising is True and cycled(24.0, 24.19, noise=0.05).rising is None


def test_how_sharp_a_thermostats_turn_is() -> None:
    """By a third of the heater's pace, and 0.15 °C an hour: water that fell by 0.1 and rises."""
    for rise, seen in ((0.27, True), (0.23, False)):
        assert cycled(24.0, 23.9, 23.8, 23.8 + rise / 2 - 0.05, rate=1.0).by_heater is seen
    for rate, seen in ((0.0, True), (1.3, False)):
        assert cycled(24.0, 23.9, 23.8, 23.92, rate=rate).by_heater is seen


def test_small_changes_are_no_turn_of_a_heater() -> None:
    for fall, seen in ((0.078, True), (0.066, False)):
        course = [(24.0 - fall * n / 2) for n in range(5)]
        cycle = HeaterCycle()
        for n, value in enumerate([*course, course[-1] + 0.04, course[-1] + 0.081]):
            cycle.add(BEGAN + n * 30 * MINUTE, value, 0.0, 0.0, True)
        assert cycle.rising is True and cycle.by_heater is seen


def test_what_is_known_of_the_cycle() -> None:
    assert HeaterCycle(tops=[24.0] * 2).top is None and HeaterCycle(tops=[24.0] * 3).top is not None
    assert HeaterCycle(heats=[1.0] * 2).heat is None and HeaterCycle(heats=[1.0] * 3).heat == 1.0
    top = HeaterCycle(tops=[20.0 + n for n in range(9)]).top
    assert top is not None and top[:2] == (22.0, 26.0)  # a quarter are lower, a quarter higher
    full = HeaterCycle(tops=[20.0 + n for n in range(12)], heats=[1.0] * 12)
    cycled(25.0, 23.0, 25.0, 23.0, cycle=full)
    assert full.tops == [*(21.0 + n for n in range(11)), 25.0]


# -- a cooler that is not known --------------------------------------------------------------------


def test_how_much_an_unknown_cooler_slows_the_water() -> None:
    """About as much as a fan over a small tank: a degree in two to three hours."""
    bend: Any = CoolerMemory().bend(CoolerSettings(setpoint_c=25.0), 25.0)
    assert 1 / 3 < bend < 1 / 2
    assert CoolerMemory().bend(CoolerSettings(setpoint_c=25.0), 24.15) is None
    assert CoolerMemory().bend(CoolerSettings(setpoint_c=25.0), 24.25) is not None
