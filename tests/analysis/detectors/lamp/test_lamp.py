"""The lamp against its schedule, with sun and clouds on the meter, shadows, long ramps and dimmed nights.

Reference: the course itself, made here with known switching times. Daylight by a window (a bell over the
midday hours times wandering clouds), lamps and their dimming: common practice, no source. Clock changes are
those of tzdata for Europe/Lisbon, 2026-03-29.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.detectors.lamp.dimming import LampDimming
from rushlight.analysis.detectors.lamp.room_light import Daylight
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.views.weak_series import rare_lines
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
DAY = 1440
WINTER = int(datetime(2026, 1, 15, tzinfo=UTC).timestamp() * 1000)
LAMP = 6000.0
NOON = 'on = "12:00"\noff = "20:00"\nramp_min = 0'

Course = Callable[[int, float], float]  # (day, local minute) -> lux
Change = tuple[float, str, bool]  # (days since the beginning, alarm, stands)


class Watched:
    """A lamp detector fed minute by minute; `changes` are the alarms that came and went, and when."""

    def __init__(self, light: str = NOON, began: int = WINTER, step: float = 0.0) -> None:
        self.step = step
        body = f"[tanks.alcove.light]\n{light}\n" if light else ""
        text = '[tanks.alcove]\nvolume_litres = 60\ntimezone = "Europe/Lisbon"\n'
        text += f"[tanks.alcove.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\n{body}"
        self.tank = Tank("alcove", parse_settings(text).tanks["alcove"])
        self.detector = LampDetector()
        self.began = began
        self.standing: set[str] = set()
        self.changes: list[Change] = []
        self.chance = random.Random(11)
        self.active: set[str] = set()

    def feed(self, course: Course, days: range, every: int = 1) -> Watched:
        return self.feed_minutes(course, range(days.start * DAY, days.stop * DAY, every), every)

    def feed_minutes(self, course: Course, minutes: range, every: int = 1) -> Watched:
        for n in minutes:
            at = self.began + n * MINUTE
            day, minute = self.tank.clock.local(at)
            first, _ = self.tank.clock.local(self.began)
            lux = course(day - first, minute) * (1 + self.chance.gauss(0, 0.01))
            lux = round(lux / self.step) * self.step if self.step else lux
            frame = Frame(at, at + MINUTE, None, None, None, max(0.0, lux), None, {})
            heard = {"light": Sensor(step=self.step, interval_ms=every * MINUTE)}
            moment = Moment(frame, day, minute, n % 5 < every, self.active, sensors=heard)
            names = {finding.alarm for finding in self.detector.update(self.tank, moment)}
            self.changes += [(n / DAY, name, True) for name in sorted(names - self.standing)]
            self.changes += [(n / DAY, name, False) for name in sorted(self.standing - names)]
            self.standing = names
        return self

    def raised(self, alarm: str) -> list[float]:
        return [at for at, name, stands in self.changes if stands and name == alarm]

    def cleared(self, alarm: str) -> list[float]:
        return [at for at, name, stands in self.changes if not stands and name == alarm]


def lit(minute: float, on: float = 720, off: float = 1200, ramp: float = 0) -> float:
    """Full light, or straight ramps within the photoperiod."""
    since = (minute - on) % DAY
    length = (off - on) % DAY
    if since >= length:
        return 0.0
    return LAMP * min(1.0, since / ramp, (length - since) / ramp) if ramp else LAMP


def clouds(seed: int, peak: float, centre: float, width: float) -> Course:
    """Sunlight through a window: a bell over the day times a cover that wanders within minutes."""
    chance = random.Random(seed)
    cover: dict[tuple[int, int], float] = {}

    def at(day: int, knot: int) -> float:
        if (day, knot) not in cover:
            before = cover.get((day, knot - 1), 0.6)
            cover[day, knot] = min(1.0, max(0.05, 0.75 * before + 0.15 + chance.gauss(0, 0.3)))
        return cover[day, knot]

    def sun(day: int, minute: float) -> float:
        knot, share = divmod(minute, 5)
        thin = at(day, int(knot)) * (1 - share / 5) + at(day, int(knot) + 1) * share / 5
        return peak * thin * math.exp(-0.5 * ((minute - centre) / width) ** 2)

    return sun


# -- the schedule ------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("ramp", [0, 10, 60])
def test_sun_and_clouds_as_bright_as_the_lamp_raise_nothing(seed: int, ramp: int) -> None:
    """Up to one and a half times the lamp, before, while and after it is lit, for eight days.

    The lamp dead on the two days after: it is missed, whatever the sun does.
    """
    for centre in (640, 760, 1180):
        sun = clouds(seed, 9000, centre, 90)
        light = f'on = "12:00"\noff = "20:00"\nramp_min = {ramp}'
        watched = Watched(light).feed(lambda d, m, s=sun: lit(m, ramp=ramp) + s(d, m), range(8))
        assert watched.changes == []
        assert watched.feed(sun, range(8, 10)).raised("light-missing")


def test_a_timer_an_hour_off_is_one_alarm_till_both_switchings_are_right_again() -> None:
    watched = Watched()
    watched.feed(lambda d, m: lit(m), range(4))
    watched.feed(lambda d, m: lit(m, 780, 1260), range(4, 9))
    (raised,) = watched.raised("light-schedule-drift")
    assert 4 + 21 / 24 < raised < 4 + 22 / 24  # when it went out, that the hour was no accident is known
    assert watched.detector.drift.shift == pytest.approx(60, abs=2)
    watched.feed(lambda d, m: lit(m), range(9, 11))
    (cleared,) = watched.cleared("light-schedule-drift")
    assert 9 + 20 / 24 < cleared < 9 + 21 / 24  # on time in the morning is not enough


def test_a_lamp_left_on_by_hand_one_evening_is_no_drift() -> None:
    watched = Watched().feed(lambda d, m: lit(m, off=1240 if d == 4 else 1200), range(8))
    assert watched.changes == []
    watched.feed(lambda d, m: lit(m, 760, 1240), range(8, 10))  # both switchings: the timer
    assert watched.raised("light-schedule-drift")


@pytest.mark.parametrize("sunny", [False, True])
def test_after_a_clock_change_one_clear_switching_is_enough(sunny: bool) -> None:
    """The night to 29 March: the timer keeps winter time, the sun is about the other switching."""
    began = int(datetime(2026, 3, 24, tzinfo=UTC).timestamp() * 1000)
    sun = clouds(5, 9000, 720, 60) if sunny else lambda d, m: 0.0
    watched = Watched(began=began)

    def course(day: int, minute: float) -> float:
        late = 60 if day >= 5 else 0
        return lit(minute, 720 + late, 1200 + late) + sun(day, minute)

    watched.feed(course, range(7))
    (raised,) = watched.raised("light-schedule-drift")
    assert raised < 5.95
    (finding,) = [
        f for f in watched.detector.drift.findings(moment_of(watched), "", began + 5 * DAY * MINUTE, False)
    ]
    assert "daylight saving" in finding.cause


def moment_of(watched: Watched) -> Moment:
    at = watched.began + 6 * DAY * MINUTE
    return Moment(Frame(at, at + MINUTE, None, None, None, 0.0, None, {}), 6, 0.0, True, set())


def test_hours_that_never_fitted_are_left_to_the_settings_doubt() -> None:
    """See test_settings_doubt: that is told after three days; till then no timer is blamed."""
    watched = Watched().feed(lambda d, m: lit(m, 780, 1260), range(4))
    assert watched.raised("light-schedule-drift") == []
    fitted = Watched().feed(lambda d, m: lit(m) if d < 2 else lit(m, 780, 1260), range(4))
    assert fitted.raised("light-schedule-drift")


def test_a_slow_timer_is_told_once_it_is_past_its_tolerance() -> None:
    """Four minutes a day: past 10 minutes on the third day, and one alarm from then on."""
    watched = Watched().feed(lambda d, m: lit(m, 720 + 4 * d, 1200 + 4 * d), range(10))
    (raised,) = watched.raised("light-schedule-drift")
    assert 3 <= raised < 5
    assert watched.cleared("light-schedule-drift") == []


def test_hours_are_learnt_in_spite_of_shadows() -> None:
    """No schedule in the settings; a hand over the meter makes edges too, on the first days at that."""

    def course(day: int, minute: float) -> float:
        shade = day < 2 and 900 <= minute < 915
        return lit(minute, ramp=60) * (0.1 if shade else 1.0) if day != 7 else 0.0

    watched = Watched("").feed(course, range(8))
    assert watched.detector.hours.habit == pytest.approx([720, 1200], abs=8)
    (raised,) = watched.raised("light-missing")
    assert 7.5 < raised < 7.6


def test_a_lamp_that_is_switched_by_hand_is_seen_to_age() -> None:
    """On and off at another time each day: no hours are known, its light is."""

    def course(day: int, minute: float) -> float:
        on = 600 + 47 * (day * day % 5)
        return lit(minute, on, on + 500 + 31 * (day % 4))

    watched = Watched("").feed(course, range(16))
    assert watched.changes == [] and not watched.detector.hours.habit
    watched.feed(lambda d, m: course(d, m) * (1 - 0.02 * (d - 15)), range(16, 30))
    (raised,) = watched.raised("light-dimming")
    assert 20 < raised < 28


# -- missing ----------------------------------------------------------------------------------------


def test_missing_when_it_goes_out_and_when_it_does_not_come() -> None:
    watched = Watched().feed(lambda d, m: lit(m) if (d, m) < (4, 900) else 0.0, range(5))
    (raised,) = watched.raised("light-missing")
    assert raised * DAY == pytest.approx(4 * DAY + 900 + 41, abs=5)
    watched = Watched().feed(lambda d, m: lit(m) if d < 4 else 0.0, range(5))
    (raised,) = watched.raised("light-missing")
    assert raised * DAY == pytest.approx(4 * DAY + 720 + 46, abs=5)


def test_a_dead_lamp_is_one_alarm_in_spite_of_sun() -> None:
    """Two days dead, clouds and sun brighter than the lamp at its hours."""
    sun = clouds(4, 11000, 860, 60)
    course: Course = lambda d, m: (lit(m) if d < 4 else 0.0) + sun(d, m)  # noqa: E731
    watched = Watched().feed(course, range(6))
    assert len(watched.raised("light-missing")) == 1


def test_a_lamp_that_was_never_seen_is_one_alarm() -> None:
    assert len(Watched().feed(lambda d, m: 20.0, range(3)).raised("light-missing")) == 1


def test_a_lamp_that_dies_the_day_after_a_short_outage_is_no_timer() -> None:
    def course(day: int, minute: float) -> float:
        out = (day == 3 and 900 <= minute < 930) or (day, minute) > (4, 1040)
        return 0.0 if out else lit(minute)

    watched = Watched().feed(course, range(5))
    assert [name for _, name, stands in watched.changes if stands] == ["light-missing"]


def test_a_long_ramp_hides_no_lamp_that_goes_out_late() -> None:
    """Out at 18:50, where the fade would begin at 19:30: told before the photoperiod ends."""
    light = 'on = "12:30"\noff = "20:30"\nramp_min = 60'

    def course(day: int, minute: float) -> float:
        return lit(minute, 750, 1230, 60) if (day, minute) < (4, 1130) else 0.0

    (raised,) = Watched(light).feed(course, range(5)).raised("light-missing")
    assert raised * DAY == pytest.approx(4 * DAY + 1130 + 41, abs=5)


def test_sun_that_goes_before_the_lamp_fades_is_no_missing_lamp() -> None:
    """A ramp of an hour, and sun till shortly before it begins."""

    def course(day: int, minute: float) -> float:
        return lit(minute, ramp=60) + (3500 if day >= 3 and 900 <= minute < 1135 else 0.0)

    watched = Watched('on = "12:00"\noff = "20:00"\nramp_min = 60').feed(course, range(7))
    assert watched.changes == []
    watched.feed(lambda d, m: course(d, m) if m < 1090 else 0.0, range(7, 8))  # the lamp with it
    assert watched.raised("light-missing")


@pytest.mark.parametrize(("ramp", "after"), [(0, 4), (0, 12), (60, 12), (60, 25), (60, 50)])
@pytest.mark.parametrize("sunny", [False, True])
def test_a_lamp_that_goes_out_soon_after_it_came_is_told_within_the_hour(
    ramp: int, after: int, sunny: bool
) -> None:
    """Also while it still brightens, and with the sun on the meter besides."""
    sun = 0.2 * LAMP if sunny else 0.0

    def course(day: int, minute: float) -> float:
        out = (day, minute) >= (4, 720 + after)
        daylight = sun if 600 <= minute < 900 else 0.0
        return (0.0 if out else lit(minute, ramp=ramp)) + daylight

    watched = Watched(f'on = "12:00"\noff = "20:00"\nramp_min = {ramp}').feed(course, range(5))
    (raised,) = watched.raised("light-missing")
    # a ramp's first fifth can't be told from no light
    assert raised * DAY < 4 * DAY + 720 + after + (60 if after > ramp / 5 else 90)


@pytest.mark.parametrize("every", [5, 10, 20, 30, 60])
@pytest.mark.parametrize("ramp", [0, 60])
def test_rare_reports_are_judged_too(every: int, ramp: int) -> None:
    """Every report after a gap of more than a quarter of an hour begins anew."""
    light = f'on = "12:00"\noff = "20:00"\nramp_min = {ramp}'
    watched = Watched(light)
    watched.feed(lambda d, m: lit(m, ramp=ramp), range(5), every)
    assert watched.changes == []
    watched.feed(lambda d, m: 0.0, range(5, 6), every)
    assert len(watched.raised("light-missing")) == 1


def away(watched: Watched, course: Course, days: range, gap: tuple[int, int]) -> Watched:
    """Days of which the first has no reports in the minutes of `gap`."""
    begin, end = (days.start * DAY + minute for minute in gap)
    watched.feed_minutes(course, range(days.start * DAY, begin))
    return watched.feed_minutes(course, range(end, days.stop * DAY))


@pytest.mark.parametrize("ramp", [0, 30])
@pytest.mark.parametrize("back", [711, 718, 725])
def test_a_lamp_that_comes_on_while_there_are_no_reports_is_on_time(ramp: int, back: int) -> None:
    """Its timer is ten minutes fast: it is lit already when the reports are back, a minute before its time.

    On the next evening it stays on: that is stuck.
    """

    def course(day: int, minute: float) -> float:
        stays = day >= 6 and minute >= 1150
        return LAMP if stays or day >= 7 else lit(minute, on=710, off=1190, ramp=ramp)

    light = f'on = "12:00"\noff = "20:00"\nramp_min = {ramp}'
    watched = Watched(light).feed(course, range(5))
    away(watched, course, range(5, 6), (660, back))
    assert watched.changes == []
    assert watched.feed(course, range(6, 7)).raised("light-stuck-on")


@pytest.mark.parametrize("ramp", [0, 30])
def test_a_lamp_that_was_switched_on_while_there_were_no_reports_is_stuck(ramp: int) -> None:
    def course(day: int, minute: float) -> float:
        return LAMP if (day, minute) >= (5, 130) else lit(minute, ramp=ramp)

    light = f'on = "12:00"\noff = "20:00"\nramp_min = {ramp}'
    watched = Watched(light).feed(course, range(5))
    away(watched, course, range(5, 6), (100, 160))
    (raised,) = watched.raised("light-stuck-on")
    assert 5 * DAY + 160 <= raised * DAY <= 5 * DAY + 160 + 45


def test_a_spike_right_after_a_gap_is_no_lamp() -> None:
    """The first value behind the gap is the meter's full scale. A lamp that is lit there is one."""
    for lamp_on in (False, True):

        def course(day: int, minute: float, on: bool = lamp_on) -> float:
            if day == 5 and minute >= 160:
                return 65535.0 if minute == 160 else LAMP if on else 0.0
            return lit(minute)

        watched = away(Watched().feed(course, range(5)), course, range(5, 6), (100, 160))
        assert bool(watched.raised("light-stuck-on")) is lamp_on


@pytest.mark.parametrize(("every", "seen"), [(5, True), (12, True), (20, True), (25, True), (30, False)])
def test_a_lamp_that_stays_on_is_noticed_by_rare_reports_too(every: int, seen: bool) -> None:
    """Up to 25 min; `check` says of what is rarer that it is not."""
    watched = Watched().feed(lambda d, m: lit(m), range(5), every)
    assert watched.changes == []
    watched.feed(lambda d, m: LAMP if m >= 900 else lit(m), range(5, 6), every)
    assert len(watched.raised("light-stuck-on")) == seen
    assert any("a lamp that stays on" in line for line in rare_lines(60 * every)) is not seen


def test_a_shadow_while_it_brightens_is_no_missing_lamp() -> None:
    def course(day: int, minute: float) -> float:
        shade = day == 4 and 745 <= minute < 760
        return lit(minute, ramp=60) * (0.1 if shade else 1.0)

    watched = Watched('on = "12:00"\noff = "20:00"\nramp_min = 60').feed(course, range(7))
    assert watched.changes == []
    watched.feed(lambda d, m: course(d, m) if m < 745 else 0.0, range(7, 8))  # and stays out
    assert watched.raised("light-missing")


def test_a_timer_that_followed_the_clocks_is_waited_for_no_longer_than_ever() -> None:
    """The night to 29 March; on time that day and the next, dead the day after."""
    began = int(datetime(2026, 3, 24, tzinfo=UTC).timestamp() * 1000)
    watched = Watched(began=began).feed(lambda d, m: lit(m) if d < 7 else 0.0, range(8))
    (raised,) = watched.raised("light-missing")
    minute = watched.tank.clock.local(began + round(raised * DAY) * MINUTE)[1]
    assert minute == pytest.approx(720 + 46, abs=5)


def test_in_the_night_of_a_power_cut_no_lamp_is_missed() -> None:
    watched = Watched().feed(lambda d, m: lit(m) if (d, m) < (4, 900) else 0.0, range(4))
    watched.active = {"power-interrupted"}
    watched.feed(lambda d, m: lit(m) if (d, m) < (4, 900) else 0.0, range(4, 5))
    (cleared,) = watched.cleared("light-missing")
    assert cleared * DAY == pytest.approx(4 * DAY + 1200, abs=2)


# -- stuck on ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("left", [0.15, 0.3, 0.6, 1.0])
@pytest.mark.parametrize("ramp", [0, 60])
def test_a_lamp_that_stays_on_dimmed_is_told_that_evening(left: float, ramp: int) -> None:
    def course(day: int, minute: float) -> float:
        plain = lit(minute, ramp=ramp)
        return max(plain, left * LAMP) if (day, minute) > (4, 1198) else plain

    watched = Watched(f'on = "12:00"\noff = "20:00"\nramp_min = {ramp}').feed(course, range(6))
    (raised,) = watched.raised("light-stuck-on")
    assert 4 * DAY + 1200 < raised * DAY < 4 * DAY + 1200 + 118
    assert watched.cleared("light-stuck-on") == []
    watched.feed(lambda d, m: lit(m, ramp=ramp), range(6, 7))
    assert len(watched.cleared("light-stuck-on")) == 1


def test_evening_sun_brighter_than_the_lamp_is_no_lamp_stuck_on() -> None:
    """Three dull days, then a clear sky over the hours after the lamp's time."""

    def course(day: int, minute: float) -> float:
        sun = math.exp(-0.5 * ((minute - 1240) / 60) ** 2)
        return lit(minute) + sun * (400 if day < 3 else 7000)

    watched = Watched().feed(course, range(7))
    assert watched.changes == []
    watched.feed(lambda d, m: course(d, m) + (LAMP if m >= 1200 else 0.0), range(7, 8))
    assert watched.raised("light-stuck-on")


def test_a_spike_at_night_teaches_no_daylight() -> None:
    """One wild reading an evening, as a loose wire makes it, hides no dimmed lamp."""

    def course(day: int, minute: float) -> float:
        plain = lit(minute)
        if (day, minute) > (4, 1199):
            return max(plain, 0.2 * LAMP)
        return 65535.0 if minute == 1262 else plain

    assert len(Watched().feed(course, range(5)).raised("light-stuck-on")) == 1


# -- dimming ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("on", "off"), [(720, 1200), (1080, 30)])
def test_a_lamp_that_ages_is_told_also_where_its_evening_goes_past_midnight(on: int, off: int) -> None:
    """Three per cent a day: told within eight days of it (12 %, and six days to see a trend by)."""
    text = f'on = "{on // 60:02d}:{on % 60:02d}"\noff = "{off // 60:02d}:{off % 60:02d}"\nramp_min = 0'

    def course(day: int, minute: float) -> float:
        evening = day - (minute < 60)
        return lit(minute, on, off) * (1 - 0.03 * max(0, evening - 6))

    watched = Watched(text).feed(course, range(16))
    (raised,) = watched.raised("light-dimming")
    assert 9 < raised < 14.5


def test_a_week_that_clouds_over_is_no_ageing_lamp() -> None:
    """Sunlight in the whole photoperiod, less of it each day, with the scatter that weather has."""
    levels = [6500.0, 6440.0, 6080.0, 5620.0, 5460.0, 5690.0, 5590.0, 5560.0, 5970.0, 5470.0]
    dimming = LampDimming()
    for n in range(6, len(levels) + 1):
        dimming.judge(levels[:n], list(range(n)))
        assert dimming.findings() == []
    # in the same weather, a lamp that loses four per cent a day
    dimming.judge([level * (1 - 0.04 * n) for n, level in enumerate(levels)], list(range(len(levels))))
    assert [finding.alarm for finding in dimming.findings()] == ["light-dimming"]


# -- the parts --------------------------------------------------------------------------------------


def test_daylight_remembers_the_brightest_and_forgets_what_was_the_lamp() -> None:
    daylight = Daylight()
    for day in range(3):
        for minute in range(DAY):
            daylight.add(minute, (500.0 if day == 1 else 100.0) if 600 <= minute < 660 else 0.0)
    assert daylight.at(630, 3) == pytest.approx(500, rel=0.1)
    assert daylight.at(1300, 2) == 0.0
    for minute in range(1200, 1320):
        daylight.add(minute, 2000.0)
    daylight.forget()
    for minute in range(1320, 1440):
        daylight.add(minute, 0.0)
    for minute in range(600):
        daylight.add(minute, 0.0)
    assert daylight.at(1260) == 0.0


def test_a_ramp_learnt_from_shadows_is_forgotten() -> None:
    """Two shadows say that the lamp comes at once; a ramp of an hour is found all the same, days later."""
    tracker = LampTracker(plateaus=[LAMP] * 3, plateau_days=[1, 2, 3], quarters=[0.5, 0.5], lit=False)
    tracker.last_edge_ms = WINTER
    edges = []
    for n in range(4 * DAY):
        edge = tracker.add(WINTER + n * MINUTE, lit(n % DAY, ramp=60), None)
        edges += [edge] if edge is not None else []
    assert [edge.sign for edge in edges[-4:]] == [1, -1, 1, -1]


def test_an_afternoon_of_sun_alone_is_no_lamps_level() -> None:
    """The first day is seen from 18:00 on, with the evening sun five times as bright as the lamp."""
    sun = clouds(5, 30_000, 1120, 90)

    def course(day: int, minute: float) -> float:
        return lit(minute) + (30_000 if day == 0 and minute < 1210 else sun(day, minute))

    watched = Watched(began=WINTER + 18 * 60 * MINUTE).feed(course, range(4))
    assert watched.raised("light-missing") == []
    dead = watched.feed(lambda day, minute: 20.0, range(4, 5))
    assert len(dead.raised("light-missing")) == 1


def test_a_lid_that_is_open_for_an_hour_is_no_missing_lamp() -> None:
    """A third of the light is left while it is; left open for the day, it is told, and so is a dead lamp."""
    watched = Watched().feed(lambda day, minute: lit(minute), range(4))
    part = Watched().feed(lambda day, minute: lit(minute), range(4))

    def lid(share: float, minutes: int) -> Course:
        return lambda day, minute: lit(minute) * (share if 900 <= minute < 900 + minutes else 1.0)

    assert watched.feed(lid(0.36, 100), range(4, 6)).raised("light-missing") == []
    assert len(part.feed(lid(0.36, 290), range(4, 5)).raised("light-missing")) == 1
    assert len(watched.feed(lid(0.05, 100), range(6, 7)).raised("light-missing")) == 1


def test_a_lid_that_is_open_as_the_lamp_comes_on_is_no_missing_lamp() -> None:
    """It comes on at its time with two fifths of its light; a lamp that doesn't come gives none."""
    watched = Watched().feed(lambda day, minute: lit(minute), range(4))

    def lid(share: float) -> Course:
        return lambda day, minute: lit(minute) * (share if minute < 810 else 1.0)

    assert watched.feed(lid(0.42), range(4, 6)).raised("light-missing") == []
    assert len(watched.feed(lid(0.02), range(6, 7)).raised("light-missing")) == 1


def test_a_lamp_that_went_out_says_that_it_may_be_the_mains() -> None:
    """A lamp that never came is its timer's rather than that."""
    for out, says in ((900, True), (720, False)):
        watched = Watched().feed(lambda day, minute: lit(minute), range(4))
        for n in range(4 * DAY, 4 * DAY + 1000):
            lux = lit(float(n % DAY)) if n % DAY < out else 0.0
            at = watched.began + n * MINUTE
            frame = Frame(at, at + MINUTE, None, None, None, lux, None, {})
            moment = Moment(frame, *watched.tank.clock.local(at), n % 5 == 0, set())
            found = watched.detector.update(watched.tank, moment)
        assert [finding.alarm for finding in found] == ["light-missing"]
        assert ("mains" in found[0].rule_out) is says


@pytest.mark.parametrize("again", [True, False])
def test_the_hour_that_comes_twice_in_autumn_asks_for_no_lamp_twice(again: bool) -> None:
    """Lit until 01:30; at 02:00 the clocks go back to 01:00, and a timer may or may not light it again.

    Summer time ends on the last Sunday of October, at 01:00 UTC (Directive 2000/84/EC).
    """
    began = int(datetime(2026, 10, 20, tzinfo=UTC).timestamp() * 1000)
    last_out = int(datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp() * 1000)
    watched = Watched('on = "18:00"\noff = "01:30"\nramp_min = 0', began)
    minutes = iter(range(20 * DAY))

    def course(day: int, minute: float) -> float:
        at = began + next(minutes) * MINUTE
        repeated = last_out <= at < last_out + 90 * MINUTE
        dead = day == 8
        return 0.0 if dead or (repeated and not again) else lit(minute, 1080, 90)

    assert watched.feed(course, range(7)).raised("light-missing") == []
    assert len(watched.feed(course, range(7, 10)).raised("light-missing")) == 1


# -- sun over a lamp whose hours nobody wrote down -------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_the_sun_is_not_learnt_as_the_lamp(seed: int) -> None:
    """Sun of up to five times the lamp in the morning, and no hours in the settings."""
    sun = clouds(seed, 30_000, 690, 80)
    watched = Watched("").feed(lambda d, m: lit(m) + sun(d, m), range(12))
    assert watched.changes == []
    assert watched.detector.tracker.level() == pytest.approx(LAMP, rel=0.1)
    watched.feed(lambda d, m: lit(m), range(12, 17))  # cloudy days show when it comes on
    assert watched.raised("light-missing") == []
    assert watched.feed(sun, range(17, 19)).raised("light-missing")


def test_one_switching_is_learnt_once() -> None:
    hours = Watched("").detector.hours
    for late in (0.0, 2.0, 9.0, 30.0):
        hours.learn(-1, 20_000, 1200.0 + late)
    assert hours.learnt_off == [20_000 * DAY + 1200.0, 20_000 * DAY + 1230.0]


@pytest.mark.parametrize(("length", "learnt"), [(1120, True), (1160, False)])
def test_a_lamp_that_is_never_out_is_the_suns_doing(length: int, learnt: bool) -> None:
    hours = Watched("").detector.hours
    for day in range(20_000, 20_004):
        hours.learn(1, day, 60.0)
        hours.learn(-1, day, 60.0 + length)
    assert bool(hours.habit) is learnt
