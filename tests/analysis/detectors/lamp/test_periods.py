"""Lamps with several periods a day, weekends and night lights; rare reports; coarse light sensors.

Reference: the course itself, made here with known switching times. Siestas, their lengths and night lights:
common practice, no source.
"""

from __future__ import annotations

import random

import pytest

from rushlight.analysis.detectors.lamp.drift import LampDrift, Sighting
from rushlight.analysis.detectors.lamp.schedule import is_weekend, nearest_period, period_at, schedule_set
from rushlight.collector.settings import LightSettings
from tests.analysis.detectors.lamp.test_lamp import DAY, LAMP, MINUTE, WINTER, Course, Watched, lit

TWO = 'periods = [["10:00", "13:30"], ["16:00", "20:30"]]\n'
HOURS = ((600.0, 810.0), (960.0, 1230.0))
THURSDAY = 0  # WINTER, 2026-01-15
REPORTS = pytest.mark.parametrize("every", [1, 5])
RAMPS = pytest.mark.parametrize("ramp", [0, 30])


def two(minute: float, ramp: float = 0, late: float = 0) -> float:
    return max(lit(minute, on + late, off + late, ramp) for on, off in HOURS)


def light(ramp: float = 0, more: str = "") -> str:
    return f"{TWO}ramp_min = {ramp}\n{more}"


def weekend(day: int) -> bool:
    """Of `WINTER` plus so many days."""
    return is_weekend(WINTER // (DAY * MINUTE) + day)


def names(watched: Watched) -> list[str]:
    return [name for _, name, stands in watched.changes if stands]


# -- the schedule itself ----------------------------------------------------------------------------


def test_a_minute_s_period_and_the_next() -> None:
    """2026-01-16 is a Friday (day 20469 since 1970), by Python's calendar as by anybody's."""
    schedule = schedule_set(
        LightSettings(periods=[["10:00", "12:00"], ["20:00", "02:00"]], weekend=[["09:00", "23:00"]])
    )
    assert schedule is not None
    friday = 20469
    assert [is_weekend(friday + n) for n in range(4)] == [False, True, True, False]
    period, following = period_at(schedule, friday, 61)  # Thursday's evening
    assert (period.on, period.off, period.day, period.last, following) == (-240, 120, -1, True, 600)
    period, following = period_at(schedule, friday, 700)
    assert (period.on, period.off, period.last, period.pause, following) == (600, 720, False, 480, 1200)
    period, following = period_at(schedule, friday, 1439)
    assert (period.on, period.off, period.last, following) == (1200, 1560, True, 1440 + 540)
    period, following = period_at(schedule, friday + 1, 1430)  # Saturday night, then Sunday's
    assert (period.on, period.off, following) == (540, 1380, 1440 + 540)
    assert nearest_period(schedule, friday + 1, 100, -1).off == 120
    assert nearest_period(schedule, friday + 2, 1430, 1).on == 1440 + 600  # Monday's morning


# -- nothing is wrong -------------------------------------------------------------------------------


@REPORTS
@RAMPS
def test_two_periods_as_set_raise_nothing_and_one_lost_does(ramp: int, every: int) -> None:
    watched = Watched(light(ramp)).feed(lambda d, m: two(m, ramp), range(9), every)
    assert watched.changes == []
    assert watched.detector.tracker.level() == pytest.approx(LAMP, rel=0.03)
    watched.feed(lambda d, m: two(m, ramp) if m < 850 else 0.0, range(9, 10), every)  # no afternoon
    (raised,) = watched.raised("light-missing")
    assert raised * DAY == pytest.approx(9 * DAY + 960 + 46, abs=ramp + 2 * every)


@REPORTS
def test_the_weekend_s_hours_are_the_weekend_s(every: int) -> None:
    """Friday's late period is Friday's, past midnight; on Saturday the lamp is on all day."""
    text = 'periods = [["10:00", "13:30"], ["18:00", "00:30"]]\nweekend = [["09:00", "21:00"]]\nramp_min = 0'

    def course(day: int, minute: float, weekend: bool = True) -> float:
        today, before = (weekend and (n + 3) % 7 >= 5 for n in (THURSDAY + day, THURSDAY + day - 1))
        late = LAMP if minute < 30 and not before else 0.0
        return max(
            late, lit(minute, 540, 1260) if today else max(lit(minute, 600, 810), lit(minute, 1080, 1440))
        )

    watched = Watched(text).feed(course, range(12), every)
    assert watched.changes == []
    plain = Watched(text.replace('weekend = [["09:00", "21:00"]]\n', "")).feed(course, range(12), every)
    assert plain.changes != []  # without the setting, Saturday is wrong


@REPORTS
@pytest.mark.parametrize("share", [0.12, 0.25])
def test_a_night_light_that_is_meant_is_none_that_is_stuck(share: float, every: int) -> None:
    def course(day: int, minute: float) -> float:
        return max(two(minute), share * LAMP)

    night = Watched(light(more="night_light = true")).feed(course, range(5), every)
    assert night.changes == []
    night.feed(lambda d, m: max(two(m), 0.5 * LAMP if m > 1230 else share * LAMP), range(5, 6), every)
    assert names(night) == ["light-stuck-on"]  # half its light is no night light
    night.feed(course, range(6, 7), every)
    assert night.standing == set()  # over with the night light, not only with darkness
    unmeant = Watched(light()).feed(lambda d, m: two(m), range(4), every).feed(course, range(4, 5), every)
    assert names(unmeant) == ["light-stuck-on"]


# -- faults -----------------------------------------------------------------------------------------


@REPORTS
@RAMPS
@pytest.mark.parametrize("late", [-45, 40])
def test_a_timer_that_jumped_is_a_drift(late: int, ramp: int, every: int) -> None:
    watched = Watched(light(ramp)).feed(lambda d, m: two(m, ramp), range(4), every)
    watched.feed(lambda d, m: two(m, ramp, late), range(4, 7), every)
    assert names(watched) == ["light-schedule-drift"]
    (raised,) = watched.raised("light-schedule-drift")
    assert raised < 5.6
    assert watched.detector.drift.shift == pytest.approx(late, abs=2 + every)
    watched.feed(lambda d, m: two(m, ramp), range(7, 9), every)
    assert watched.standing == set()


@REPORTS
@pytest.mark.parametrize("ramp", [0, 20, 60])
@pytest.mark.parametrize("pace", [-2, 2])
@pytest.mark.parametrize("known", [True, False])
def test_a_slip_of_two_minutes_a_day_is_told_within_a_week(
    pace: int, ramp: int, known: bool, every: int
) -> None:
    """One period, and an evening only; it comes once and stays until the timer is right again."""
    for on, off in ((720, 1200), (1020, 1320)):
        text = f'on = "{on // 60}:00"\noff = "{off // 60}:00"\n' + (f"ramp_min = {ramp}" if known else "")
        watched = Watched(text).feed(lambda d, m, a=on, b=off: lit(m, a, b, ramp), range(5), every)
        assert watched.changes == []

        def slips(day: int, minute: float, a: int = on, b: int = off) -> float:
            since = (day - 5) + minute / DAY
            return lit(minute, a + pace * since, b + pace * since, ramp)

        watched.feed(slips, range(5, 15), every)
        assert names(watched) == ["light-schedule-drift"]
        (raised,) = watched.raised("light-schedule-drift")
        assert raised < 5 + 7
        watched.feed(lambda d, m, a=on, b=off: lit(m, a, b, ramp), range(15, 18), every)
        assert watched.standing == set()


@REPORTS
@pytest.mark.parametrize("pace", [-2, 2])
def test_a_slip_in_two_periods_is_told_within_a_week(pace: int, every: int) -> None:
    watched = Watched(light()).feed(lambda d, m: two(m), range(4), every)
    watched.feed(lambda d, m: two(m, 0, pace * (d - 4 + m / DAY)), range(4, 12), every)
    (raised,) = watched.raised("light-schedule-drift")
    assert raised < 4 + 7 and watched.cleared("light-schedule-drift") == []


@pytest.mark.parametrize("seed", range(6))
@REPORTS
def test_a_timer_that_scatters_slips_not(seed: int, every: int) -> None:
    """Six minutes either way, at random: a mechanical timer's pins. Then it slips, and is told."""
    chance = random.Random(seed)
    off_by = [[chance.uniform(-6, 6) for _ in range(4)] for _ in range(40)]

    def course(day: int, minute: float) -> float:
        a, b, c, e = off_by[day]
        return max(lit(minute, 600 + a, 810 + b), lit(minute, 960 + c, 1230 + e))

    watched = Watched(light()).feed(course, range(30), every)
    assert watched.changes == []
    watched.feed(lambda d, m: two(m, 0, 3 * (d - 30)), range(30, 38), every)
    assert watched.raised("light-schedule-drift")


@REPORTS
@RAMPS
@pytest.mark.parametrize("begin", [700, 1100])
def test_a_lamp_that_dies_is_missed(begin: int, ramp: int, every: int) -> None:
    watched = Watched(light(ramp))
    watched.feed(lambda d, m: two(m, ramp) if (d, m) < (4, begin) else 0.0, range(5), every)
    assert watched.raised("light-missing")[0] * DAY == pytest.approx(4 * DAY + begin + 41, abs=2 + 3 * every)


@REPORTS
@RAMPS
@pytest.mark.parametrize(("begin", "left"), [(810, 1.0), (1230, 1.0), (1230, 0.3)])
def test_a_lamp_that_stays_on_is_told(begin: int, left: float, ramp: int, every: int) -> None:
    """Into the pause, or into the night; over when it is dark again."""

    def course(day: int, minute: float) -> float:
        plain = two(minute, ramp)
        return max(plain, left * LAMP) if (day, minute) > (4, begin - 2) else plain

    watched = Watched(light(ramp)).feed(course, range(5), every)
    assert set(names(watched)) == {"light-stuck-on"}
    (raised,) = watched.raised("light-stuck-on")
    assert 4 * DAY + begin < raised * DAY < 4 * DAY + begin + 120
    watched.feed(lambda d, m: two(m, ramp), range(5, 7), every)
    assert watched.standing == set()


@REPORTS
def test_a_lamp_that_ages_is_told(every: int) -> None:
    watched = Watched(light()).feed(lambda d, m: two(m) * (1 - 0.02 * max(0, d - 5)), range(18), every)
    (raised,) = watched.raised("light-dimming")
    assert 10 < raised < 15


def test_short_periods_are_judged() -> None:
    """Three of an hour each."""
    hours = [(480, 540), (720, 780), (1080, 1140)]
    text = 'periods = [["08:00", "09:00"], ["12:00", "13:00"], ["18:00", "19:00"]]\nramp_min = 0'
    course: Course = lambda d, m: max(lit(m, *one) for one in hours)  # noqa: E731
    watched = Watched(text).feed(course, range(5))
    assert watched.changes == []
    watched.feed(lambda d, m: course(d, m) if m < 700 else 0.0, range(5, 6))
    assert names(watched) == ["light-missing"]


# -- hours that nobody has set ----------------------------------------------------------------------


@REPORTS
def test_two_periods_are_learnt_in_spite_of_shadows(every: int) -> None:
    def course(day: int, minute: float) -> float:
        shade = day < 2 and 1050 <= minute < 1065
        return two(minute) * (0.1 if shade else 1.0) if day != 7 or minute < 900 else 0.0

    watched = Watched("").feed(course, range(8), every)
    assert watched.detector.hours.habit == pytest.approx([600, 810, 960, 1230], abs=3 + every)
    assert len(watched.raised("light-missing")) == 1


@REPORTS
@pytest.mark.parametrize("began", [day for day in range(7) if not weekend(day)])
def test_other_hours_on_weekends_are_learnt_before_they_are_judged(every: int, began: int) -> None:
    """Right through on Saturdays and Sundays; from the second weekend on the pause is missed."""

    def course(day: int, minute: float) -> float:
        return lit(minute, 600, 1230) if weekend(day) else two(minute)

    watched = Watched("", began=WINTER + began * DAY * MINUTE)
    watched.feed(lambda d, m: course(began + d, m), range(14), every)
    assert watched.changes == []
    first = next(d for d in range(14, 21) if weekend(began + d))
    watched.feed(lambda d, m: course(began + d, m) if d < first else 0.0, range(14, first + 1), every)
    assert names(watched) == ["light-missing"] and watched.raised("light-missing")[0] > first


@REPORTS
@pytest.mark.parametrize("hidden", [False, True])
def test_a_weekend_like_the_other_days_is_judged(every: int, hidden: bool) -> None:
    """From its first evening on; where the meter lay under a cloth then, from the second one on."""
    days = [d for d in range(4, 20) if weekend(d) and weekend(d + 1)]
    saturday = days[hidden]

    def course(day: int, minute: float) -> float:
        if weekend(day) and day < saturday:
            return 0.0
        return two(minute) if day <= saturday else 0.0

    watched = Watched("").feed(course, range(saturday + 2), every)
    assert names(watched) == ["light-missing"]
    assert saturday + 1 < watched.raised("light-missing")[0] < saturday + 2


# -- coarse sensors ---------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [500.0, 1500.0])
@REPORTS
def test_a_coarse_light_sensor_is_enough(step: float, every: int) -> None:
    """A photoresistor on few bits: a twelfth, or a quarter of the lamp's light a step."""
    fine = Watched(light(), step=step).feed(lambda d, m: two(m), range(6), every)
    assert fine.changes == []
    late = Watched(light(), step=step).feed(lambda d, m: two(m, 0, 40 if d > 3 else 0), range(7), every)
    assert names(late) == ["light-schedule-drift"]
    gone = Watched(light(), step=step).feed(lambda d, m: two(m) if d < 4 else 0.0, range(5), every)
    assert names(gone) == ["light-missing"]
    stuck = Watched(light(), step=step).feed(
        lambda d, m: LAMP if d == 4 and m > 1200 else two(m), range(5), every
    )
    assert names(stuck) == ["light-stuck-on"]


def test_one_step_down_is_no_ageing_lamp() -> None:
    """Between two steps of the sensor: it shows the lower one from some day on. Three steps are a fall."""
    watched = Watched(light(), step=500.0).feed(lambda d, m: two(m) * (0.98 - 0.005 * d), range(20))
    assert watched.changes == []
    watched.feed(lambda d, m: two(m) * (0.88 - 0.015 * (d - 20)), range(20, 34))
    assert "light-dimming" in names(watched)


def judged(course: list[tuple[float, int, float]]) -> LampDrift:
    """Switchings that have been accepted as the lamp's: days, +1 on or −1 off, minutes late."""
    drift = LampDrift(fitted=True)
    for days, sign, late in course:
        at = int(days * DAY * 60_000)
        drift._accept(Sighting(sign, at, late, 2, True, at, at), 16.5, 5.0)
    return drift


def test_a_sun_that_bends_the_lamp_s_rise_is_no_timer_that_slips() -> None:
    """A ramp of 45 minutes, a report in five, clear mornings and cloudy ones. The twin: both slip alike."""
    rise = [(0, -8.6), (2, -1.6), (3, -0.8), (4, 1.0), (5, 2.3), (6, 9.0)]
    fall = [(0.3, -1.4), (1.3, -1.0), (2.3, -0.3), (3.3, 1.0), (4.3, 1.6), (5.3, -0.7)]
    course = sorted([(day, 1, late) for day, late in rise] + [(day, -1, late) for day, late in fall])
    assert not judged(course).standing
    steady = [(day / 2, 1 - 2 * (day % 2), (0.3 if day % 2 else 1.7) * day / 2) for day in range(19)]
    assert not judged(steady).standing
    assert judged([(day, sign, day) for day, sign, _ in steady]).standing
    both = [(day, 1, late) for day, late in rise] + [(day + 0.3, -1, late) for day, late in rise]
    assert judged(sorted(both)).standing
