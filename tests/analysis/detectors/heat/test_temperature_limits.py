"""When the livestock's limits of temperature are an alarm ahead, and when a leap of the level is one.

Straight courses of the water, just inside and just outside of each rule. Common practice, no source.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat.cooler_memory import CoolerMemory
from rushlight.analysis.detectors.heat.limits import TemperatureLimits
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.collector.settings import CoolerSettings, parse_settings

MINUTE = 60_000
BEGAN = 1_772_323_200_000
TEXT = (
    '[tanks.sill]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.sill.livestock]\ntemperature_low_c = 20\ntemperature_high_c = 29\n"
)
TANK = Tank("sill", parse_settings(TEXT).tanks["sill"])


def moment(minute: float, active: str = "") -> Moment:
    now = BEGAN + round(minute * MINUTE)
    frame = Frame(now, now + MINUTE, None, None, None, None, None, {})
    return Moment(frame, 0, 800.0, True, {active} if active else set())


def course(end: float, *slopes: tuple[float, int]) -> Window:
    """Five-minute values that end at `end`; (°C/h, minutes) from the newest stretch backwards."""
    values = [end]
    for slope, minutes in slopes:
        for _ in range(minutes // 5):
            values.append(values[-1] - slope / 12)
    window = Window(100)
    for n, value in enumerate(reversed(values)):
        window.add(BEGAN + (n - len(values) + 1) * 5 * MINUTE, value)
    return window


def found(
    past: float,
    *slopes: tuple[float, int],
    low: bool = False,
    usual: float = 24.0,
    active: str = "",
    fall: Any = None,
) -> Finding | None:
    """What is found of water so far past a limit."""
    level = 20 - past if low else 29 + past
    extremes: Any = SimpleNamespace(highs=[usual], lows=[usual])
    window = course(level, *(slopes or ((0.0, 180),)))
    said = TemperatureLimits().findings(TANK, moment(0, active), level, window, extremes, fall, False)
    return said[0] if said else None


def ahead(past: float, *slopes: tuple[float, int], **known: Any) -> bool:
    return found(past, *slopes, **known) is not None


def test_an_alarm_holds_near_its_limit() -> None:
    assert found(-0.29, active="temperature-high") and not found(-0.31, active="temperature-high")
    assert found(-0.29, active="temperature-low", low=True)
    assert not found(-0.31, active="temperature-low", low=True)


def test_a_limit_is_near_within_a_thermometers_tolerance_or_three_hours() -> None:
    assert ahead(-0.49, (0.05, 180)) and not ahead(-0.51, (0.05, 180))
    assert ahead(-0.88, (0.3, 180)) and not ahead(-0.92, (0.3, 180))


def test_water_that_hardly_moves_goes_nowhere() -> None:
    assert ahead(-0.1, (0.032, 180)) and not ahead(-0.1, (0.028, 180))


def test_what_is_usual_is_not_expected() -> None:
    assert ahead(-0.4, (0.2, 180), usual=28.33) and not ahead(-0.4, (0.2, 180), usual=28.37)


def test_what_slows_down_or_has_only_begun_may_be_water_poured_in() -> None:
    for share, seen in ((0.21, True), (0.14, False)):
        assert ahead(-0.1, (0.4 * share, 30), (0.4, 150)) is seen
    for share, seen in ((0.7, True), (0.6, False)):
        assert ahead(-0.3, (0.4, 60), (0.4 * share, 120)) is seen


def test_no_tank_cools_that_fast() -> None:
    assert ahead(-0.5, (-0.48, 180), low=True) and not ahead(-0.5, (-0.52, 180), low=True)
    assert ahead(-0.5, (-0.88, 180), low=True, fall=-0.6)
    assert not ahead(-0.5, (-0.92, 180), low=True, fall=-0.6)


def test_within_the_hour_it_is_urgent() -> None:
    for past, priority in ((-0.38, "high"), (-0.42, "medium")):
        said = found(past, (0.4, 180))
        assert said is not None and said.priority == priority


def coarse(
    steps_past: float, climbed: float, step: float = 0.5, usual: float | None = 26.0, low: bool = False
) -> bool:
    """A thermometer in steps, its level in steps past a limit and how many it has climbed in three hours."""
    sign = -1 if low else 1
    level = (20 if low else 29) + sign * steps_past * step
    window = Window(100)
    for n in range(37):
        back = climbed * step if n < 12 else climbed * step / 2 if n < 24 else 0.0
        window.add(BEGAN + (n - 36) * 5 * MINUTE, level - sign * back)
    at = moment(0)
    at.sensors = {"temperature": Sensor(step=step)}
    extremes: Any = SimpleNamespace(highs=[] if usual is None else [usual], lows=[23.0])
    return bool(TemperatureLimits().findings(TANK, at, level, window, extremes, None, False))


@pytest.mark.parametrize("low", [False, True])
def test_a_coarse_reading_at_a_limit_may_be_past_it(low: bool) -> None:
    """Half a step further it is past it: that is no usual day, and nobody waits for a step."""
    assert coarse(0.0, 0.0, low=low) and coarse(-0.38, 0.0, low=low)
    assert not coarse(-0.42, 0.0, low=low) and not coarse(-1.0, 0.0, low=low)
    assert not coarse(0.0, 0.0, usual=28.9) or low  # as on any day
    assert coarse(0.0, 0.0, step=0.26, low=low) and not coarse(0.0, 0.0, step=0.24, low=low)


def test_a_limit_is_one_on_the_first_day_too() -> None:
    assert coarse(0.0, 0.0, usual=None) and not coarse(-1.0, 2.0, usual=None)


def test_a_coarse_thermometer_climbs_by_steps() -> None:
    """Two steps in three hours: the next ones follow at that pace."""
    assert coarse(-1.0, 2.0) and not coarse(-1.0, 1.0)
    assert coarse(-1.9, 2.0) and not coarse(-2.1, 2.0)
    assert coarse(-1.0, 1.6) and not coarse(-1.0, 1.4)


def leapt(level: float, room: float | None, minutes: int = 120) -> int | None:
    limits, levels = TemperatureLimits(), Window(3)
    for minute in range(minutes):
        levels.add(BEGAN + minute * MINUTE, level)
        if limits.leapt(TANK, moment(minute), levels, 24.0, room):
            return minute
    return None


def test_a_leap_past_a_limit_is_an_alarm_within_minutes_but_not_to_the_rooms_air() -> None:
    assert leapt(38.0, 20.0) == 2
    assert leapt(32.0, 30.1) is None and leapt(32.0, 29.9) is not None
    assert leapt(10.0, None) is None and leapt(10.0, 20.0) == 45


def test_patience_with_what_is_just_past_a_limit() -> None:
    """45 minutes up to 1.2 tolerances of 0.5 °C; with twice that, a quarter of it."""
    assert leapt(29.55, 20.0) == 45 and leapt(30.2, 20.0) == 12


# -- where a cooler turns the water -----------------------------------------------------------------


def turned(
    rise: float = 0.2, fall: float = 0.2, peak: float = 25.0, memory: CoolerMemory | None = None, at: int = 0
) -> CoolerMemory:
    """Water that rises by that much in 55 minutes and falls by that much in 30."""
    memory, window = memory or CoolerMemory(), Window(100)
    values = [peak - rise * n / 11 for n in range(17, 0, -1)] + [peak - fall * n / 6 for n in range(7)]
    for n, value in enumerate(values):
        window.add(BEGAN + (at + 5 * n) * MINUTE, value)
    memory.learn(CoolerSettings(setpoint_c=25.0), window, None)
    return memory


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        ({"fall": 0.072}, {"fall": 0.068}),
        ({"rise": 0.032}, {"rise": 0.028}),
        ({"peak": 24.22}, {"peak": 24.18}),
        ({"peak": 26.18}, {"peak": 26.22}),
    ],
)
def test_what_a_cooler_at_work_makes_of_the_curve(
    inside: dict[str, float], outside: dict[str, float]
) -> None:
    assert turned(**inside).turns and not turned(**outside).turns  # type: ignore[arg-type]


def test_a_cooler_turns_the_water_once_in_half_an_hour() -> None:
    assert len(turned(memory=turned(), at=25).turns) == 1
    assert len(turned(memory=turned(), at=30).turns) == 2


def test_three_turns_at_one_temperature_are_a_coolers() -> None:
    assert CoolerMemory(turns=[25.0, 25.14, 24.86]).learnt is not None
    assert CoolerMemory(turns=[25.0, 25.16, 24.84]).learnt is None
    assert CoolerMemory(turns=[25.0, 25.0]).learnt is None


def test_a_cooler_is_known_by_its_last_twelve_turns() -> None:
    memory = CoolerMemory()
    for n in range(20):
        turned(memory=memory, at=n * 60)
    assert len(memory.turns) == 12
