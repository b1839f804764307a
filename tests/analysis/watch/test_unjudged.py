"""An alarm whose table was taken out of the settings is not over: nobody judges it any more."""

from __future__ import annotations

import math

import pytest

from rushlight.analysis.alarms.endings import is_over, is_unjudged
from rushlight.analysis.findings import Finding
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import TankSettings, parse_settings

TABLES = {
    "heater": "setpoint_c = 24.0\nwatts = 60",
    "cooler": "setpoint_c = 27.0",
    "light": 'on = "09:00"\noff = "19:00"',
}
MINUTE = 60_000
NOW = 1_772_359_200_000  # 10:00 UTC


def tank_without(*left_out: str) -> TankSettings:
    text = """
[tanks.ledge]
volume_litres = 60
timezone = "UTC"
report_every_s = 60
[tanks.ledge.livestock]
temperature_low_c = 18
temperature_high_c = 30
"""
    for name, lines in TABLES.items():
        if name not in left_out:
            text += f"[tanks.ledge.{name}]\n{lines}\n"
    return parse_settings(text).tanks["ledge"]


def quiet_reading(quantity: str, minute: int) -> Reading:
    value = 24.0 + 0.2 * math.sin(minute / 15) if quantity == "temperature" else 6000.0 + minute % 7
    return Reading("ledge", quantity, NOW + minute * MINUTE, round(value, 3), Flag.PASS, minute)


def how_it_ended(alarm: str, *left_out: str) -> str:
    """Raised by the settings with all tables, then judged by those without, in a tank where all is well."""
    before = TankWatch("ledge", tank_without())
    for minute in range(-200, 0):
        before.book.update([Finding(alarm=alarm, priority="high")], NOW + minute * MINUTE)
    watch = TankWatch("ledge", tank_without(*left_out))
    watch.restore(before.snapshot())
    events = [
        event
        for minute in range(240)
        for quantity in ("temperature", "light")
        for event in watch.feed(quiet_reading(quantity, minute))
    ]
    (end,) = [event for event in events if event.event == "cleared" and event.alarm == alarm]
    return end.summary


@pytest.mark.parametrize(
    ("alarm", "table"),
    [
        ("heater-stuck-on", "heater"),
        ("heater-not-heating", "heater"),
        ("cooling-not-cooling", "cooler"),
        ("light-missing", "light"),
        ("light-stuck-on", "light"),
        ("light-schedule-drift", "light"),
        ("light-dimming", "light"),
    ],
)
def test_without_its_table_an_alarm_is_not_judged_any_more(alarm: str, table: str) -> None:
    gone = how_it_ended(alarm, table)
    assert is_unjudged(gone) and gone.startswith(f"Not judged any more, the settings have no [{table}]: ")
    # with it, and without another, it is over
    others = [name for name in TABLES if name != table]
    for left_out in ([], others):
        assert is_over(how_it_ended(alarm, *left_out))


def test_what_needs_no_table_is_over() -> None:
    assert is_over(how_it_ended("temperature-high", *TABLES))
