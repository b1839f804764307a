"""A metered heater that goes on working while the thermometer hangs in a cold room's air.

The water is computed by the lumped-capacitance method as in `test_heater.py`. Dials, watts and rooms: common
practice, no source.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from tests.analysis.detectors.heat.test_heater import BEGAN, DAY, LITRES, MINUTE, daily, settings

WATTS = 100.0
ROOM = daily(16.0, 2.4)


@dataclass
class Metered:
    """Holds 24.2 to 24.8 °C; the thermometer comes to read `away_c` less within an hour or two."""

    away_c: float = 0.0
    off_c: float = 0.0
    dead: bool = False
    celsius: float = 24.5
    minute: int = 0
    on: bool = False
    watch: TankWatch = field(default_factory=lambda: TankWatch("alcove", settings()))

    def run(self, minutes: int) -> list[Event]:
        events: list[Event] = []
        for _ in range(minutes):
            at = self.celsius
            self.on = not self.dead and (at < 24.2 or (self.on and at < 24.8))
            watts = WATTS * self.on
            self.celsius += ((ROOM(self.minute) - at) / 12 + watts * 3600 / (4186 * LITRES)) / 60
            self.off_c = min(self.away_c, self.off_c + 0.06)
            seen = {"temperature": round((self.celsius - self.off_c) * 16) / 16, "heater_power": watts}
            time_ms = BEGAN + self.minute * MINUTE + 20_000
            for quantity, value in seen.items():
                events += self.watch.feed(Reading("alcove", quantity, time_ms, value, Flag.PASS))
            self.minute += 1
        return events


def often(events: list[Event]) -> Counter[str]:
    return Counter(event.alarm for event in events if event.event == "raised")


def test_a_heater_that_works_and_rests_is_not_called_dead_at_each_rest() -> None:
    tank = Metered()
    assert not often(tank.run(4 * DAY))
    tank.away_c = 5.0
    found = often(tank.run(2 * DAY))
    assert 1 <= found["heater-not-heating"] <= 2, found


def test_one_that_dies_after_that_is_called_dead_when_it_has_rested_too_long() -> None:
    tank = Metered()
    tank.run(4 * DAY)
    tank.away_c = 3.0
    tank.run(DAY // 2)
    assert "heater-not-heating" not in tank.watch.book.standing()
    tank.dead = True
    hours = 0
    while "heater-not-heating" not in tank.watch.book.standing() and hours < 24:
        tank.run(60)
        hours += 1
    assert 6 <= hours <= 8  # it was seen to work in the cold, so a rest alone says nothing


def test_where_the_water_is_warm_again_nothing_of_it_is_left() -> None:
    tank = Metered()
    tank.run(4 * DAY)
    tank.away_c = 3.0
    tank.run(DAY // 2)
    tank.away_c = tank.off_c = 0.0
    tank.run(DAY)
    assert "heater-not-heating" not in tank.watch.book.standing()
    tank.dead = True
    tank.run(150)
    assert "heater-not-heating" in tank.watch.book.standing()
