"""Where nothing is found and no alarm is awake, a frame costs the book of alarms nothing."""

from __future__ import annotations

from typing import Any

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import TEMPERATURE, Reading
from rushlight.collector.settings import LivestockSettings, TankSettings

BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z
MINUTE = 60_000


def test_the_book_is_asked_where_something_is_found_and_until_it_is_over() -> None:
    livestock = LivestockSettings(temperature_low_c=18, temperature_high_c=27)
    watch = TankWatch("loft", TankSettings(volume_litres=54, timezone="Europe/Lisbon", livestock=livestock))
    asked: list[int] = []
    update = watch.book.update

    def counted(findings: Any, now_ms: int, *rest: Any) -> list[Event]:
        asked.append((now_ms - BEGAN) // MINUTE)
        return update(findings, now_ms, *rest)

    watch.book.update = counted  # type: ignore[method-assign]
    events = []
    for minute in range(300):
        celsius = 24.0 + minute % 3 / 10 if minute < 60 or minute > 140 else 30.0 + minute % 3 / 10
        events += watch.feed(Reading("loft", TEMPERATURE, BEGAN + minute * MINUTE, celsius, 1))
    assert (events[0].event, events[-1].event) == ("raised", "cleared")
    assert asked[0] >= 60 and len(asked) >= 80 and asked[-1] < 299
