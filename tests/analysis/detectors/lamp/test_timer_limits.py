"""What may have put a timer's clock wrong, and what daylight is remembered, just inside and just outside.

Common practice, no source.
"""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

from rushlight.analysis.detectors.lamp.room_light import Daylight
from rushlight.analysis.detectors.lamp.timer_clock import TimerClock, error_min
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
DAY = 1440
BEGAN = 1_772_323_200_000
TEXT = (
    '[tanks.sill]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.sill.livestock]\ntemperature_low_c = 20\ntemperature_high_c = 29\n"
)


def drift(error: float = 20.0, sign: int = 1, fitted: bool = True) -> Any:
    return SimpleNamespace(
        waiting=SimpleNamespace(error=error, sign=sign), fitted=fitted, error_days=[], standing=False
    )


def test_a_gap_in_the_reports_may_be_a_power_cut() -> None:
    tank = Tank("sill", parse_settings(TEXT).tanks["sill"])
    for minutes, cut in ((20, False), (21, True)):
        clock = TimerClock()
        clock.watch(tank, BEGAN)
        clock.watch(tank, BEGAN + minutes * MINUTE)
        assert (clock.cut_ms >= 0) is cut


def test_a_lamp_that_comes_back_after_ten_minutes_may_have_had_no_power() -> None:
    for minutes, cut in ((9.9, False), (10.1, True)):
        clock = TimerClock()
        clock.came_back(BEGAN, round(minutes * MINUTE))
        assert (clock.cut_ms >= 0) is cut


def test_a_cut_explains_a_wrong_time_for_a_day_and_a_half() -> None:
    clock = TimerClock(cut_ms=BEGAN)
    assert clock.explains(BEGAN + round(1.45 * DAY) * MINUTE, drift())
    assert not clock.explains(BEGAN + round(1.55 * DAY) * MINUTE, drift())


def test_a_clock_change_explains_that_hour_for_four_days() -> None:
    clock, soon = TimerClock(changed_ms=BEGAN, step_min=60.0), BEGAN + DAY * MINUTE
    assert clock.explains(soon, drift(48.2)) and not clock.explains(soon, drift(47.8))
    assert clock.explains(BEGAN + round(3.9 * DAY) * MINUTE, drift(60.0))
    assert not clock.explains(BEGAN + round(4.1 * DAY) * MINUTE, drift(60.0))


def test_an_hour_is_there_twice_where_the_clocks_were_put_back() -> None:
    for step, minutes, twice in ((-60.0, 59, True), (-60.0, 60, False), (60.0, 1, False), (-30.0, 31, False)):
        clock = TimerClock(changed_ms=BEGAN, step_min=step)
        assert clock.repeats(BEGAN + minutes * MINUTE) is twice
    assert not TimerClock().repeats(BEGAN)


def test_the_hour_that_the_clocks_skip_keeps_nobody_waiting() -> None:
    """In Helsinki 03:00 of 29 March 2026 is 04:00 (IANA time zones): what is due at 3 comes at once."""
    clock = LocalClock("Europe/Helsinki")
    night = round(datetime(2026, 3, 29, tzinfo=UTC).timestamp() * 1000)
    for minute, due, error in (
        (62, 180, 2),  # 04:02, due at 03:00, which there was not
        (62, 240, 2),  # due at 04:00, which there was
        (62, 179, 3),  # due at 02:59, three minutes before
        (58, 180, -2),  # 02:58
        (58, 242, -4),  # 02:58, due at 04:02
        (62, 200, -18),  # due at 03:20, which a timer of its own has in 18 minutes
        (122, 240, 62),
        (62 + DAY, 180, 62),  # the night after
    ):
        at = night + minute * MINUTE
        assert error_min(clock, at, clock.local(at)[1], due) == error, (minute, due)
    autumn = round(datetime(2026, 10, 25, 1, 2, tzinfo=UTC).timestamp() * 1000)  # 03:02, for the second time
    assert error_min(clock, autumn, clock.local(autumn)[1], 180) == 2


def test_for_eight_days_a_timer_may_not_have_followed() -> None:
    clock = TimerClock(changed_ms=BEGAN)
    assert clock.hour_off(BEGAN + round(7.9 * DAY) * MINUTE, drift())
    assert not clock.hour_off(BEGAN + round(8.1 * DAY) * MINUTE, drift())


def seen(minutes: int, lux: float = 500.0, light: Daylight | None = None, until: int = 240) -> Daylight:
    """Light from midnight on for so long, with the lamp out, and then the day as far as `until`."""
    light = light or Daylight()
    for minute in range(until):
        light.add(minute, lux if minute < minutes else None)
    return light


def test_ten_minutes_of_light_are_remembered_three_hours_later() -> None:
    assert seen(9).at(0) is None and seen(10).at(0) == 500.0
    assert seen(10, until=210).at(0) is None and seen(10, until=211).at(0) == 500.0


def test_daylight_is_of_half_an_hour_and_of_those_beside_it() -> None:
    light = seen(10)
    assert light.at(29) == 500.0 and light.at(31) is None


def test_daylight_fades_by_half_in_ten_days() -> None:
    light = seen(10)
    for _ in range(10):
        light.bin = -1
        seen(10, 1.0, light)
    highest = light.at(0)
    assert highest is not None and 0.4 < highest / 500 < 0.6
