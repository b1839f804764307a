"""A cooler's memory, on made-up courses of the water's temperature.

The courses are a thermostat's saw tooth and a daily sine; figures are common practice, no source.
"""

from __future__ import annotations

import math

from analysis.detectors.cooler import CoolerMemory
from analysis.trend import Window
from collector.settings import CoolerSettings

STEP_MS = 300_000
BEGAN = 1_772_330_400_000
COOLER = CoolerSettings(setpoint_c=25.0, kind="fan")


def saw_tooth(memory: CoolerMemory, cycles: int, room: float | None) -> int:
    """24.6 to 25.2 °C, two hours up and one down; returns the time behind the last value."""
    window = Window(37)
    now = BEGAN
    for step in range(36 * cycles):
        place = step % 36
        value = 24.6 + 0.6 * place / 24 if place <= 24 else 25.2 - 0.6 * (place - 24) / 12
        window.add(now, value)
        memory.learn(COOLER, window, room)
        now += STEP_MS
    return now


def test_the_turning_point_and_the_room_are_learnt() -> None:
    memory = CoolerMemory()
    saw_tooth(memory, 6, 26.5)
    known = memory.learnt
    assert known is not None
    assert abs(known["turns_at_c"] - 25.2) < 0.03
    assert known["copes_with_room_c"] == 26.5


def test_a_daily_wave_is_no_turning_point() -> None:
    memory = CoolerMemory()
    window = Window(37)
    for step in range(288 * 4):
        window.add(BEGAN + step * STEP_MS, 24.7 + 1.0 * math.sin(2 * math.pi * step / 288))
        memory.learn(COOLER, window, 26.5)
    assert memory.learnt is None


def test_water_that_stays_above_the_turning_point_is_overdue_after_an_hour() -> None:
    memory = CoolerMemory()
    now = saw_tooth(memory, 6, 26.5)
    told = [memory.overdue(now + minute * 60_000, 25.6, 0.02, 26.0) for minute in range(0, 91, 5)]
    assert told.index(True) == 12


def test_a_room_warmer_than_it_ever_coped_with_is_no_fault_of_the_cooler() -> None:
    memory = CoolerMemory()
    now = saw_tooth(memory, 6, 26.5)
    assert not any(memory.overdue(now + minute * 60_000, 25.6, 0.02, 28.0) for minute in range(0, 300, 5))


def test_water_that_is_being_cooled_is_not_overdue() -> None:
    memory = CoolerMemory()
    now = saw_tooth(memory, 6, None)
    assert not any(memory.overdue(now + minute * 60_000, 25.6, -0.3, None) for minute in range(0, 300, 5))
