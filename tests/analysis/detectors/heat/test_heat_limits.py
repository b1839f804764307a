"""What is known of the water's heat: over which spans, from which steps and gaps on; just inside and outside.

Frames are given one by one. Common practice, no source.
"""

from __future__ import annotations

import math
import statistics
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat.balance import explained_slope, heat_now, kept_heat
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory, corner_is_its_own, heater_range
from rushlight.analysis.detectors.heat.limits import TemperatureLimits
from rushlight.analysis.detectors.heat.new_water import NewWater, Pour
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.thermal_model import ThermalModel
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.log_entry import LogEntry

MINUTE = 60_000
HOUR = 60
BEGAN = 1_772_323_200_000
TEXT = (
    '[tanks.sill]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.sill.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\n"
)
HEATER = "[tanks.sill.heater]\nsetpoint_c = 25\n"
METERED = HEATER + "watts = 100\n"


def tank_of(more: str = HEATER) -> Tank:
    return Tank("sill", parse_settings(TEXT + more).tanks["sill"])


def moment(minute: int, celsius: float | None = None, every_min: float = 1, **seen: Any) -> Moment:
    now = BEGAN + minute * MINUTE
    values = {"temperature": celsius, "room": None, "ph": None, "light": None, "heater": None} | seen
    about = Moment(Frame(now, now + MINUTE, *values.values(), {}), 0, minute % 1440, minute % 5 == 4, set())
    about.sensors["temperature"] = Sensor(interval_ms=round(every_min * MINUTE))
    return about


class Water:
    """A tank whose water is read once a minute."""

    def __init__(self, more: str = HEATER) -> None:
        self.detector, self.tank, self.minute = TemperatureDetector(), tank_of(more), 0
        self.about = moment(0)

    def reads(self, *celsius: float | None, every: int = 1, **seen: Any) -> Water:
        for value in celsius:
            self.about = moment(self.minute, value, every, **seen)
            self.detector.update(self.tank, self.about)
            self.minute += every
        return self

    @property
    def disturbed(self) -> bool:
        return self.about.heat.disturbed


# -- values and slopes ------------------------------------------------------------------------------


def test_a_value_is_the_mean_of_five_minutes() -> None:
    water = Water().reads(24.0, 24.0, 24.0, 24.0, 24.0, 24.0, 24.1, 24.1, 24.1, 24.1)
    assert water.detector.window.values[-1] == pytest.approx(24.08)


def test_three_hours_of_them_are_kept() -> None:
    times = Water().reads(*[24.0] * 5 * HOUR).detector.window.times
    assert times[-1] - times[0] == 3 * HOUR * MINUTE


def bent(flat: int, before: int = 120) -> TemperatureDetector:
    """Water that rose until so many minutes ago."""
    detector = TemperatureDetector()
    for minute in range(-before, 1, 5):
        detector.window.add(BEGAN + minute * MINUTE, 24.0 + min(0.0, (minute + flat) / 10))
    return detector


@pytest.mark.parametrize(("name", "minutes"), [("slope", 30), ("quarter", 15), ("hour", 60)])
def test_over_how_long_a_slope_is(name: str, minutes: int) -> None:
    for flat, level in ((minutes, True), (minutes - 5, False)):
        tank, detector = tank_of(), bent(flat)
        heat = heat_now(tank, BEGAN, 24.0, None, None, kept_heat(tank, detector), detector)
        slope = getattr(heat, name)
        assert (abs(slope) < 1e-6) is level


# -- gaps, steps and changes ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("every", "gap", "anew"), [(1, 20, False), (1, 21, True), (10, 35, False), (10, 36, True)]
)
def test_which_gap_begins_anew(every: int, gap: int, anew: bool) -> None:
    water = Water().reads(*[24.0] * 14, every=every)
    for n in range(0, 130, 5):
        water.detector.window.add(BEGAN + n * MINUTE, 24.0)
    water.minute += gap - every
    water.about = moment(water.minute, 24.0, every)
    water.about.fifth = False
    water.detector.update(water.tank, water.about)
    assert (not water.detector.window.values) is anew


@pytest.mark.parametrize(("minutes", "held"), [(30, True), (31, False)])
def test_how_long_an_alarm_is_held_without_values(minutes: int, held: bool) -> None:
    water = Water().reads(*[24.0] * 5)
    water.detector.hold = {"temperature-high": Finding(alarm="temperature-high")}
    water.minute = 4 + minutes
    water.reads(None)
    assert bool(water.detector.hold) is held


@pytest.mark.parametrize(("change", "step"), [(0.32, False), (0.335, True)])
def test_a_step_is_beyond_what_three_heaters_do(change: float, step: bool) -> None:
    """A quarter of a degree, and three times 60 W in 60 L over two minutes: 0.078 °C."""
    assert Water().reads(*[24.0] * 10, 24.0 + change).disturbed is step
    assert Water().reads(*[24.0] * 10, 24.0 + change / 2, 24.0 + change).disturbed is step
    third = Water().reads(*[24.0] * 10, *(24.0 + change * n / 3 for n in (1, 2, 3)))
    assert not third.disturbed


@pytest.mark.parametrize(
    ("step", "change", "water"), [(0.5, 0.5, False), (0.5, 1.0, True), (0.25, 0.5, True)]
)
def test_one_step_of_a_coarse_thermometer_is_no_water_change(step: float, change: float, water: int) -> None:
    """Else nothing would be judged for forty minutes after each, and so for most of the day."""
    tank = Water()
    for value in [*[24.0] * 10, 24.0 + change]:
        tank.about = moment(tank.minute, value)
        tank.about.sensors["temperature"].step = step
        tank.detector.update(tank.tank, tank.about)
        tank.minute += 1
    assert tank.disturbed is bool(water)


def test_so_many_steps_at_once_are() -> None:
    """1.6: of 0.25 °C that is 0.4 °C."""
    for change, water in ((0.39, False), (0.41, True)):
        tank = Water().reads(*[24.0] * 10)
        tank.about = moment(tank.minute, 24.0 + change)
        tank.about.sensors["temperature"].step = 0.25
        tank.detector.update(tank.tank, tank.about)
        assert tank.disturbed is water


@pytest.mark.parametrize(("change", "step"), [(0.82, False), (0.85, True)])
def test_a_step_between_two_rare_reports(change: float, step: bool) -> None:
    """A quarter of a degree, and three times 60 W in 60 L over a quarter of an hour: 0.585 °C."""
    assert Water().reads(*[24.0] * 6, 24.0 + change, every=15).disturbed is step


def test_after_a_step_water_is_not_judged_for_forty_minutes() -> None:
    water = Water().reads(*[24.0] * 10, 25.0)
    water.reads(25.0)  # as far from what was two minutes ago
    assert water.reads(*[25.0] * 39).disturbed and not water.reads(25.0).disturbed


def test_a_water_change_that_was_noted_explains_two_hours() -> None:
    water = Water()
    water.detector.noted(water.tank, LogEntry(tank="sill", time_ms=BEGAN, changed_share=0.3))
    assert water.reads(*[24.0] * 120).disturbed and not water.reads(24.0).disturbed


@pytest.mark.parametrize(("level", "stayed"), [(24.9, False), (25.1, True)])
def test_a_level_that_leapt_has_stayed_away(level: float, stayed: bool) -> None:
    water = Water().reads(*[24.0] * 10)
    water.detector.leaping = True
    assert water.reads(level).disturbed or not stayed
    assert (len(water.detector.water.recent.values) == 1) is stayed


@pytest.mark.parametrize(("minutes", "counts"), [(60, False), (61, True)])
def test_after_a_step_the_heater_is_not_learnt_for_an_hour(minutes: int, counts: bool) -> None:
    water = Water(METERED)
    water.detector.last_step_ms = BEGAN + (2 - minutes) * MINUTE
    water.reads(24.0, 24.0, 24.0, heater=100.0)
    assert bool(water.detector.heater.switches) is counts


@pytest.mark.parametrize(("minutes", "known"), [(59, True), (60, False)])
def test_how_long_a_room_is_known(minutes: int, known: bool) -> None:
    detector = TemperatureDetector()
    detector.rooms.add(BEGAN, 20.0)
    assert (detector.room_now(BEGAN + minutes * MINUTE) is not None) is known


@pytest.mark.parametrize(("values", "whole"), [(188, False), (192, True)])
def test_two_thirds_of_a_day_are_a_day(values: int, whole: bool) -> None:
    water = Water()
    for n in [*range(values), 288]:
        about = moment(5 * n, 24.0)
        about.fifth = True
        water.detector._slow(water.tank, about, 24.0)
    assert bool(water.detector.extremes.highs) is whole


# -- a probe that is restless or has leapt ----------------------------------------------------------


def restless(*celsius: float) -> int | None:
    """After how many minutes a restless probe's level is an alarm."""
    detector, tank = TemperatureDetector(), tank_of()
    for n, value in enumerate(celsius):
        about = moment(n, value)
        about.probes.faulty, about.probes.restless = {"temperature"}, {"temperature"}
        if detector.update(tank, about):
            return n
    return None


def test_the_level_of_a_restless_probe_is_over_a_quarter_of_an_hour() -> None:
    assert restless(*[40.0] * 30) == 9  # and nine minutes at least
    assert restless(*[24.0] * 15, *[40.0] * 15) == 15 + 7


def leapt(*celsius: float, past: bool = False) -> int | None:
    """After how many minutes a level that leapt is an alarm; `past`: the water was past its limit before."""
    detector, tank = TemperatureDetector(), tank_of()
    if past:
        detector.limits = TemperatureLimits(past_ms=[BEGAN - HOUR * MINUTE, -1])
    for n, value in enumerate(celsius):
        about = moment(n, value, room=20.0)
        about.probes.faulty, about.probes.leapt = {"temperature"}, {"temperature": 24.0}
        if detector.update(tank, about):
            return n
    return None


def test_three_minutes_are_a_leapt_level() -> None:
    assert leapt(*[38.0] * 9) == 2 and leapt(*[38.0] * 9, past=True) == 2
    assert leapt(24.0, 38.0, 38.0, 38.0, 38.0) == 3  # the middle of three is past it from the third on
    assert leapt(20.0, 20.0, *[38.0] * 5) == 5
    assert leapt(38.0, 38.0, 24.0, 24.0, 24.0) == 2


# -- what the heater holds --------------------------------------------------------------------------


def holds(
    *picks: float, highs: tuple[float, ...] = (), more: str = HEATER
) -> tuple[float | None, float | None]:
    return heater_range(tank_of(more), HeaterMemory(picks=list(picks)), list(highs))


def test_what_a_dial_may_be_off_by() -> None:
    assert holds() == pytest.approx((23.7, 26.3))  # swing and dial, until the tank has shown its own
    assert holds(22.0, 22.0, 22.0)[0] == 22.5 and holds(26.0, 26.0, 26.0)[0] == 25.3
    assert holds(highs=(29.0,))[1] == 27.5
    assert not corner_is_its_own(tank_of(), 22.45) and corner_is_its_own(tank_of(), 22.55)


def test_the_least_swing_of_a_heater() -> None:
    for highest, ceiling in ((25.25, 25.3), (25.35, 25.35)):
        assert holds(25.0, 25.0, 25.0, highs=(highest,))[1] == pytest.approx(ceiling)


def test_two_days_show_where_it_lets_go_with_no_set_point() -> None:
    bare = "[tanks.sill.heater]\nwatts = 100\n"
    assert holds(highs=(26.0,), more=bare)[1] is None and holds(highs=(26.0, 26.0), more=bare)[1] == 26.0


def test_a_corner_near_the_coolers_set_point_may_be_the_coolers() -> None:
    both = "[tanks.sill.heater]\nwatts = 100\n" + '[tanks.sill.cooler]\nkind = "fan"\nsetpoint_c = 27\n'
    assert corner_is_its_own(tank_of(both), 25.95) and not corner_is_its_own(tank_of(both), 26.05)


# -- what room and lamp explain ---------------------------------------------------------------------


def by_lamp(rise: float, minutes: float) -> float:
    """°C/h that the lamp explains where the usual curve has risen by `rise` °C an hour for so long."""
    about = moment(0)
    about.minute, about.lamp.on = 700.0, True
    usual: Any = SimpleNamespace(at=lambda minute: 24.0 + rise * max(0.0, minute - 700 + minutes) / HOUR)
    model, tank = ThermalModel(), tank_of()
    explained = explained_slope(tank, about, 24.0, 20.0, model, usual)
    assert explained is not None
    return explained - model.passive_slope(24.0, 20.0, 60)


def test_what_a_lamp_warms_the_water_by() -> None:
    """Between a quarter and half a degree an hour, by the usual curve of the last half-hour."""
    assert by_lamp(0.2, 90) == pytest.approx(by_lamp(0.0, 90)) and by_lamp(0.3, 90) == pytest.approx(0.3)
    assert by_lamp(0.45, 90) == pytest.approx(0.45) and by_lamp(0.6, 90) == pytest.approx(by_lamp(1.0, 90))
    assert by_lamp(0.4, 30) == pytest.approx(0.4) and by_lamp(0.4, 24) == pytest.approx(0.32)
    assert 0.2 < by_lamp(0.0, 90) < 0.3 and 0.45 < by_lamp(1.0, 90) < 0.55


def test_a_warm_room_may_act_twice_as_fast_until_the_tank_is_known() -> None:
    """A first guess of the time constant is off by a factor of nearly two."""
    about, tank, usual = moment(0), tank_of(), DailyProfile()
    model = ThermalModel()
    by_room = model.passive_slope(24.0, 28.0, 60)
    warmed = explained_slope(tank, about, 24.0, 28.0, model, usual)
    assert warmed is not None and 1.6 < warmed / by_room < 2.0
    cooled = explained_slope(tank, about, 24.0, 20.0, model, usual)
    assert cooled == pytest.approx(model.passive_slope(24.0, 20.0, 60))


# -- water on its way to a limit --------------------------------------------------------------------


def ahead(past: float, *slopes: tuple[float, int], fall: float | None = None, low: bool = False) -> bool:
    """Whether it is an alarm ahead; (°C/h, minutes) from the newest stretch backwards."""
    level = 18 - past if low else 29 + past
    values = [level]
    for slope, minutes in slopes:
        for _ in range(minutes // 5):
            values.append(values[-1] - slope / 12)
    window = Window(100)
    for n, value in enumerate(reversed(values)):
        window.add(BEGAN + (n - len(values) + 1) * 5 * MINUTE, value)
    days = DailyExtremes(lows=[24.0], highs=[24.0])
    return bool(TemperatureLimits().findings(tank_of(), moment(0), level, window, days, fall, False))


def test_its_pace_over_two_hours_counts() -> None:
    assert ahead(-0.3, (0.4, 120)) and not ahead(-0.3, (0.4, 110))
    assert ahead(-1.0, (0.4, 60), (0.28, 120)) and not ahead(-1.1, (0.4, 60), (0.28, 120))


def test_a_tank_of_unknown_cooling_falls_by_half_a_degree_an_hour_at_most() -> None:
    assert ahead(-0.5, (-0.48, 180), low=True) and not ahead(-0.5, (-0.52, 180), low=True)
    assert ahead(-0.5, (-0.52, 180), low=True, fall=-0.36)


# -- water that was poured in -----------------------------------------------------------------------


def pours(minutes: int, by: float = -3.0) -> list[Pour]:
    """What is found where the water fell evenly by so much within so long."""
    water, tank, found = NewWater(), tank_of(METERED), []
    known: Any = SimpleNamespace(
        model=SimpleNamespace(usual_fall=lambda: None), cycle=SimpleNamespace(heat=None)
    )
    fall = [24.0 + by * (n + 1) / minutes for n in range(minutes)]
    for n, celsius in enumerate([*[24.0] * 30, *fall, *[24.0 + by] * 40]):
        water.ended = None
        water.look(tank, moment(n), celsius, 20 * MINUTE, known)
        found += [water.ended] if water.ended is not None else []
    return found


def test_how_well_the_step_of_a_pour_is_known() -> None:
    """The heater gave anything up to its whole pace: a uniform distribution, by Python's `statistics`."""
    (pour,) = pours(20)
    pulled = tank_of(METERED).heating_rate_c_per_h / 3
    evenly = statistics.pstdev([pulled * n / 1000 for n in range(1001)])
    assert pour.error_c == pytest.approx(math.hypot(evenly, 0.03), rel=0.02)
    assert pour.step_c == pytest.approx(-3.0 - pulled / 2)
