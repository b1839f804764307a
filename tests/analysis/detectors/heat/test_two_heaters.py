"""Two heaters on one metered strip, computed by the lumped-capacitance method as in `test_heater.py`.

Dials, watts and rooms: common practice, no source.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest

from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.meter_offs import MeterOffs
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from tests.analysis.detectors.heat import test_weighed_limits
from tests.analysis.detectors.heat.test_heater import BEGAN, DAY, LITRES, MINUTE, daily, raised, settings
from tests.analysis.detectors.heat.test_heater_limits import Cold

FIRST, SECOND = 28.0, 32.0  # W
ROOM = daily(18.2, 2.4)


@dataclass
class Strip:
    """The first holds 24.2 to 24.8 °C, the second 23.6 to 24.1 °C; `gives` are the shares of their watts."""

    gives: tuple[float, float] = (1.0, 1.0)
    forced: bool = False  # the second's contacts have welded
    celsius: float = 24.5
    minute: int = 0
    colder: float = 0.0  # °C, than the usual room
    on: tuple[bool, bool] = (False, False)
    watch: TankWatch = field(default_factory=lambda: TankWatch("alcove", settings()))
    chance: random.Random = field(default_factory=lambda: random.Random(5))

    def run(self, minutes: int) -> list[Event]:
        events: list[Event] = []
        for _ in range(minutes):
            at = self.celsius
            self.on = (at < 24.2 or (self.on[0] and at < 24.8), at < 23.6 or (self.on[1] and at < 24.1))
            watts = FIRST * self.on[0] * self.gives[0]
            watts += SECOND * (self.on[1] or self.forced) * self.gives[1]
            self.celsius += (
                (ROOM(self.minute) - self.colder - at) / 12 + watts * 3600 / (4186 * LITRES)
            ) / 60
            seen = {
                "temperature": self.celsius + self.chance.gauss(0, 0.02),
                "heater_power": watts + self.chance.gauss(0, 0.2) if watts else 0.3,
            }
            time_ms = BEGAN + self.minute * MINUTE + 20_000
            for quantity, value in seen.items():
                events += self.watch.feed(Reading("alcove", quantity, time_ms, value, Flag.PASS))
            self.minute += 1
        return events


def test_one_of_two_heaters_at_work_is_no_heater_that_has_failed() -> None:
    strip = Strip()
    strip.run(2 * DAY)  # until a part has been left three times
    assert raised(strip.run(5 * DAY)) == []
    assert strip.watch.of(TemperatureDetector).heater.meter_offs.part(60.0) == pytest.approx(FIRST, abs=0.5)
    strip.gives = (0.0, 0.0)  # the twin: the strip is dead
    assert raised(strip.run(6 * 60))[:1] == ["heater-not-heating"]


def test_a_strip_of_which_one_was_enough_so_far() -> None:
    """Warm days, then a colder one: the first can't hold it alone until the second comes on."""
    strip = Strip(colder=-4.5)
    assert raised(strip.run(9 * 60)) == []
    memory = strip.watch.of(TemperatureDetector).heater
    assert memory.peak_watts < 30.0 and memory.meter_offs.part(60.0) is None
    strip.colder = -1.5
    assert raised(strip.run(DAY)) == [] and strip.celsius < 24.2
    strip.gives = (0.0, 0.0)  # the twin: the strip is dead
    assert raised(strip.run(6 * 60))[:1] == ["heater-not-heating"]


@pytest.mark.parametrize(
    ("peak", "half"), [(60.0, 30.0), (28.0, 14.0), (6.5, 3.25), (5.5, 30.0), (70.0, 30.0)]
)
def test_half_of_what_it_was_seen_to_draw(peak: float, half: float) -> None:
    """Less than a tenth of 60 W is the meter's own draw: nothing has been seen then."""
    assert HeaterMemory(peak_watts=peak).half(60.0) == half


@pytest.mark.parametrize(("watts", "named"), [(47.0, False), (49.0, True)])
def test_a_part_lets_go_where_it_does(watts: float, named: bool) -> None:
    """Where the whole was seen to let go says nothing of one of two, until that was seen to let go itself."""
    now = test_weighed_limits.NOW
    memory = HeaterMemory(metered=True, drew_ms=now, idle_ms=now - 3 * 60 * MINUTE)
    drawn = {"power": watts, "full": 60.0, "draws_from": 24.0, "ceiling": None}
    verdict = test_weighed_limits.warm(0.5, 60, memory=memory, **drawn)
    assert (verdict is not None and verdict.told) is named
    memory.meter_offs = offs(28.0, 28.0, 28.0, celsius=test_weighed_limits.CEILING - 0.6)
    told = test_weighed_limits.warm(0.5, 60, memory=memory, **drawn)
    assert told is not None and told.told


def test_a_part_that_keeps_the_water_too_cold_is_not_enough() -> None:
    strip = Strip()
    strip.run(2 * DAY)  # until a part has been left three times
    assert raised(strip.run(5 * DAY)) == []
    strip.gives = (1.0, 0.0)  # the second is dead
    assert "heater-not-heating" in raised(strip.run(2 * DAY))


def test_the_second_of_two_heaters_that_stays_on_is_named() -> None:
    strip = Strip()
    strip.run(2 * DAY)  # until a part has been left three times
    assert raised(strip.run(5 * DAY)) == []
    strip.forced = True
    assert raised(strip.run(DAY))[:1] == ["heater-stuck-on"]


def test_a_lone_heater_that_has_half_failed_is_named_as_before() -> None:
    strip = Strip(gives=(60.0 / FIRST, 0.0))  # one of 60 W
    assert raised(strip.run(3 * DAY)) == []
    assert strip.watch.of(TemperatureDetector).heater.meter_offs.part(60.0) is None
    strip.gives = (0.45 * 60.0 / FIRST, 0.0)
    assert raised(strip.run(DAY))[:1] == ["heater-not-heating"]


def offs(*watts: float, celsius: float = 24.5) -> MeterOffs:
    kept = MeterOffs()
    for number, drawn in enumerate(watts):
        kept.look([drawn] * 3 + [0.3, 0.3], 2, celsius + number / 10, 60.0)
    return kept


@pytest.mark.parametrize(
    ("values", "seen"),
    [
        ([28.0, 28.0, 28.0, 5.5, 5.5], True),  # a tenth of its full power is off
        ([28.0, 28.0, 28.0, 6.5, 5.5], False),
        ([28.0, 28.0, 6.5, 5.5, 5.5], True),
        ([28.0, 28.0, 5.5, 5.5, 5.5], False),  # it had let go before
        ([0.3, 28.0, 28.0, 28.0, 0.3, 0.3], True),  # three readings before
        ([0.3, 28.0, 28.0, 0.3, 0.3], False),
    ],
)
def test_what_a_meter_shows_of_a_heater_that_lets_go(values: list[float], seen: bool) -> None:
    kept = MeterOffs()
    kept.look(values, 2, 24.5, 60.0)
    assert kept.celsius == ([24.5] if seen else [])


@pytest.mark.parametrize(
    ("before", "after", "seen"), [(47.5, 48.5, True), (48.5, 60, False), (28, 47.5, False)]
)
def test_from_a_part_to_full_power(before: float, after: float, seen: bool) -> None:
    kept = MeterOffs()
    kept.look([before] * 3 + [after] * 2, 2, 23.6, 60.0)
    assert kept.watts == ([before] if seen else []) and kept.celsius == []


def test_a_part_is_usual_after_three_times() -> None:
    assert offs(28.0, 28.0).part(60.0) is None
    assert offs(28.0, 60.0, 28.0).part(60.0) is None  # once may be a fuse: the third least counts
    assert offs(28.0, 60.0, 28.0, 28.0).part(60.0) == 28.0
    assert offs(47.5, 47.5, 47.5).part(60.0) == 47.5
    assert offs(48.5, 48.5, 48.5).part(60.0) is None  # mains voltage varies


def test_what_is_kept_of_it() -> None:
    kept = offs(*[28.0] * 11)
    assert kept.top(60.0) == (24.5, 25.5, pytest.approx(0.3, abs=0.2))
    kept = offs(*[28.0] * 13)
    assert len(kept.watts) == 12 and kept.top(60.0) == (
        pytest.approx(24.6),
        25.7,
        pytest.approx(0.3, abs=0.2),
    )
    assert offs(*[60.0] * 12).top(60.0) is None


@pytest.mark.parametrize(("watts", "draws"), [(22.2, False), (22.6, True)])
def test_from_when_on_a_strip_heats(watts: float, draws: bool) -> None:
    memory = HeaterMemory(meter_offs=offs(28.0, 28.0, 28.0))
    assert (watts > memory.draws_from(60.0)) is draws and (watts > memory.half(60.0)) is draws
    assert HeaterMemory().draws_from(60.0) == pytest.approx(24.0) and HeaterMemory().half(60.0) == 30.0


@pytest.mark.parametrize(("under", "idle"), [(0.95, False), (1.05, True)])
def test_far_below_one_of_two_heaters_is_not_enough(under: float, idle: bool) -> None:
    memory = HeaterMemory(meter_offs=offs(28.0, 28.0, 28.0))
    for minute in range(10):
        memory.watts.add(BEGAN + minute * MINUTE, 28.0)
    found = Cold(memory).first(under, power=28.0, full=60.0, slope=-0.1)
    assert (found is not None) is idle
