"""Water that came back by itself: one of two heaters holds it, lower, and nobody meters them.

The tank is that of `test_two_heaters.py`, in a colder room; figures are common practice, no source.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

import pytest

from rushlight.analysis.detectors.heat.came_back import CameBack
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from tests.analysis.detectors.heat import test_heater_limits as limits
from tests.analysis.detectors.heat import test_seen_off as off
from tests.analysis.detectors.heat import test_weighed_limits as weighed
from tests.analysis.detectors.heat.test_heater import BEGAN, DAY, LITRES, MINUTE, daily, raised, settings

DAY_MIN = 1440


@dataclass
class Pair:
    """The first of 22 W holds 24.2 to 24.8 °C while the room allows, the second of 30 W 23.5 to 23.9 °C."""

    dead: bool = False
    celsius: float = 24.5
    minute: int = 0
    on: tuple[bool, bool] = (False, False)
    watch: TankWatch = field(default_factory=lambda: TankWatch("alcove", settings()))
    chance: random.Random = field(default_factory=lambda: random.Random(5))

    def run(self, minutes: int) -> list[Event]:
        events: list[Event] = []
        room = daily(17.9, 2.2)
        for _ in range(minutes):
            at = self.celsius
            self.on = (at < 24.2 or (self.on[0] and at < 24.8), at < 23.5 or (self.on[1] and at < 23.9))
            watts = 0.0 if self.dead else 22.0 * self.on[0] + 30.0 * self.on[1]
            self.celsius += ((room(self.minute) - at) / 16 + watts * 3600 / (4186 * LITRES)) / 60
            time_ms = BEGAN + self.minute * MINUTE + 20_000
            seen = self.celsius + self.chance.gauss(0, 0.02)
            events += self.watch.feed(Reading("alcove", "temperature", time_ms, seen, Flag.PASS))
            self.minute += 1
        return events


def test_where_the_second_holds_the_water_nothing_has_failed() -> None:
    pair = Pair()
    pair.run(4 * DAY)  # it may be taken for a failure until it has come back
    assert raised(pair.run(8 * DAY)) == []
    lows = pair.watch.of(TemperatureDetector).heater.came_back.lows
    assert lows and min(lows) == pytest.approx(23.5, abs=0.06)
    pair.dead = True  # the twin: both are
    assert "heater-not-heating" in raised(pair.run(DAY))


# -- what has come back -----------------------------------------------------------------------------


def went(*stretches: tuple[float, float], memory: CameBack | None = None, **known: Any) -> CameBack:
    """From 24.2 °C, in hours: to so many °C, in so many minutes each."""
    memory, at, minute = memory or CameBack(), 24.2, 0
    calm = known.get("calm", True)
    for to, lasts in stretches:
        first, steps = at, round(lasts / 5)
        for n in range(1, steps + 1):
            at = first + (to - first) * n / steps
            minute += 5
            memory.add(BEGAN + (known.get("day", 0) * DAY_MIN + minute) * MINUTE, at, calm)
    return memory


def often(*stretches: tuple[float, float]) -> CameBack:
    """The same on two days."""
    return went(*stretches, memory=went(*stretches), day=2)


def low_of(memory: CameBack) -> float:
    return memory.lowest(24.0, 24.0)


def test_water_that_came_back() -> None:
    assert low_of(often((23.5, 240), (23.85, 60))) == pytest.approx(23.5)
    assert low_of(often((23.5, 240))) == 24.0
    for up, back in ((23.75, False), (23.85, True)):  # 0.3 °C
        assert bool(went((23.5, 240), (up, 60)).lows) is back
    assert went((23.95, 240), (24.2, 60)).lows == []  # it has not fallen by so much


@pytest.mark.parametrize(("minutes", "slow"), [(75, False), (95, True)])
def test_how_slow_it_sank(minutes: float, slow: bool) -> None:
    """0.7 °C at half a degree an hour."""
    assert bool(went((24.2, 5), (23.5, minutes), (24.0, 60)).lows) is slow


@pytest.mark.parametrize(("low", "seen"), [(23.75, 24.0), (23.65, 23.65), (23.05, 23.05), (22.95, 24.0)])
def test_how_low_counts(low: float, seen: float) -> None:
    """From 0.3 to 1.0 °C below where the heater usually comes on."""
    assert low_of(often((low, 300), (24.0, 120))) == pytest.approx(seen)


def test_on_two_days_it_must_come_back() -> None:
    once = went((23.5, 240), (23.9, 60))
    assert once.lows and low_of(once) == 24.0
    same_day = went((23.4, 240), (23.9, 60), memory=once, day=0.9)
    assert low_of(same_day) == 24.0
    twice = went((23.6, 240), (24.0, 60), memory=once, day=2)
    assert low_of(twice) == pytest.approx(23.6)  # the higher of the two


def test_somebody_at_the_tank_makes_it_no_coming_back() -> None:
    for calm in (True, False):
        assert bool(went((23.5, 240), (23.9, 60), calm=calm).lows) is calm


@pytest.mark.parametrize(("days", "kept"), [(13.9, True), (14.1, False)])
def test_how_long_it_is_kept(days: float, kept: bool) -> None:
    memory = went((23.5, 240), (23.9, 60))
    memory.add(memory.times[0] + round(days * DAY_MIN * MINUTE), 24.2, True)
    assert bool(memory.lows) is kept


def test_of_each_day_the_lowest() -> None:
    memory = went((23.5, 240), (23.9, 60), (23.4, 120), (23.9, 60))
    assert memory.lows == pytest.approx([23.4])


def test_by_where_it_usually_comes_on() -> None:
    """A quarter of the corners is the other's: what is held from is in between."""
    memory = HeaterMemory(picks=[24.0, 24.0, 24.0, 23.4], came_back=often((23.2, 400), (24.0, 120)))
    assert memory.sinks_to(23.4) == pytest.approx(23.2)
    assert HeaterMemory(came_back=memory.came_back).sinks_to(23.4) == 23.4


# -- what follows from it ---------------------------------------------------------------------------


def test_a_fall_to_where_it_has_been_is_no_failure() -> None:
    """0.3 °C below that it is one."""
    known = {"slope": -0.4, "unheated": -0.4}
    memory = HeaterMemory(picks=[24.0] * 3, came_back=often((23.4, 400), (24.0, 120)))
    for under, told in ((0.85, False), (0.95, True)):
        assert (limits.Cold(memory).first(under, **known) is not None) is told
    assert limits.Cold(HeaterMemory(picks=[24.0] * 3)).first(0.35, **known) is not None  # had it not been so


def test_where_it_has_been_the_level_says_nothing() -> None:
    memory = HeaterMemory(picks=[24.0] * 6)
    course = weighed.course((-1.0, 60), end=23.5)
    heat = weighed.balance(23.5)
    verdicts = []
    for memory.came_back in (CameBack(), often((23.4, 400), (24.0, 120))):
        found = weighed.unheated_verdict(weighed.moment(), heat, memory, weighed.HeaterCycle(), course)
        assert found is not None and found.name == "dead"
        verdicts.append(found)
    assert verdicts[0].told and not verdicts[1].told
    assert verdicts[1].nats == 0.0  # where the other holds it, no heat is owed yet


@pytest.mark.parametrize(("power", "told"), [(0.3, True), (28.0, False)])
def test_where_a_meter_shows_no_heat_it_is_dead(power: float, told: bool) -> None:
    """Whatever the water did before; one of two that draws its part may be losing to a cold night."""
    memory = HeaterMemory(picks=[24.0] * 3, came_back=often((23.4, 400), (24.0, 120)), metered=True)
    for minute in range(15):
        memory.watts.add(BEGAN + minute * MINUTE, power)
    cold = limits.Cold(memory)
    assert (cold.first(0.5, power=power, full=60.0, slope=-0.1) is not None) is told
    assert limits.Cold(HeaterMemory(watts=memory.watts)).first(0.5, power=28.0, full=60.0, slope=-0.1)


@pytest.mark.parametrize(("gives", "told"), [(None, True), (0.5, False), (2.0, True)])
def test_one_of_two_that_heats_is_not_idle(gives: float | None, told: bool) -> None:
    """0.2 °C/h more than unheated: a third of the 0.5 that was seen, not of the 1.0 by their watts."""
    found = limits.unheated(0.5, slope=-0.2, unheated=-0.4, gives=gives)
    assert (found is not None) is told


@pytest.mark.parametrize(("comes_on", "counts"), [(24.1, False), (23.9, True)])
def test_below_where_it_comes_on_no_fall_is_free(comes_on: float, counts: bool) -> None:
    """At 24 °C."""
    model = off.learnt(None, memory=HeaterMemory(picks=[comes_on] * 3))
    assert bool(model.falls) is counts and bool(model.taus) is counts
