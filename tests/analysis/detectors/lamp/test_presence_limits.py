"""Where a lamp is missing and where one is stuck on: just inside each rule and just outside.

What its schedule says of the minute is given as it is. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.detectors.lamp.drift import LampDrift
from rushlight.analysis.detectors.lamp.due import due_now, tolerance_min
from rushlight.analysis.detectors.lamp.edge import Edge
from rushlight.analysis.detectors.lamp.glows import glows
from rushlight.analysis.detectors.lamp.hours import LampHours
from rushlight.analysis.detectors.lamp.missing import MissingLamp
from rushlight.analysis.detectors.lamp.room_light import Daylight
from rushlight.analysis.detectors.lamp.schedule import Due, Period
from rushlight.analysis.detectors.lamp.stuck import StuckLamp
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
BEGAN = 1_772_323_200_000
LEVEL = 1000.0
TEXT = (
    '[tanks.sill]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.sill.livestock]\ntemperature_low_c = 20\ntemperature_high_c = 29\n"
)
LIGHT = '[tanks.sill.light]\non = "10:00"\noff = "18:00"\n'


def tank_of(more: str = "") -> Tank:
    return Tank("sill", parse_settings(TEXT + more).tanks["sill"])


def due(since_on: float = 200.0, length: float = 480.0, **known: Any) -> Due:
    """So long after the period began, of a lamp without a ramp; its timer may be ten minutes off."""
    usual: dict[str, Any] = {
        "since_on": since_on,
        "past_off": since_on - length,
        "to_on": 960.0,
        "length": length,
        "ramp": 0.0,
        "tolerance": 10.0,
        "pause": 960.0,
        "late": 0.0,
        "patience": 45.0,
        "patience_after": 45.0,
        "dark_share": 0.1,
    }
    return Due(**(usual | known))


def light(lit: bool, still: bool = True, **known: Any) -> Any:
    usual: dict[str, Any] = {"lapsed": 1, "begun_ms": -1, "values": []}
    return SimpleNamespace(lit=lit, still=lambda _: still, **(usual | known))


def first(look: Callable[[int], bool], until: int = 300) -> int | None:
    return next((n for n in range(until) if look(n)), None)


# -- a lamp that is missing -------------------------------------------------------------------------


def test_a_lamp_never_seen_is_waited_for_an_hour_more() -> None:
    for since, found in ((104.0, False), (106.0, True)):
        lamp = MissingLamp()
        lamp.watch_unknown(20.0, 1, due(since))
        assert lamp.found is found
    for minutes, lux, dark, found in (
        (59, 610, 149, True),
        (60, 610, 149, False),
        (80, 590, 149, True),
        (0, 0, 151, False),
    ):
        lamp = MissingLamp()
        for _ in range(minutes):
            lamp.watch_unknown(lux, 1, due(100.0))
        lamp.watch_unknown(dark, 1, due(110.0))
        assert lamp.found is found


def test_ten_dark_minutes_are_a_lamp_that_went_out() -> None:
    def out_at(since_on: float, share: float = 0.0) -> int | None:
        lamp, shown = MissingLamp(), light(True)

        def look(n: int) -> bool:
            lamp.watch(BEGAN + n * MINUTE, share * LEVEL, LEVEL, shown, due(since_on))
            return lamp.out_since >= 0

        return first(look, 30)

    assert out_at(200.0) == 9
    assert out_at(449.0) == 9 and out_at(451.0) is None  # near its end it may be its time
    assert out_at(21.0) == 9 and out_at(19.0) is None  # and near its beginning
    assert out_at(200.0, 0.29) == 9 and out_at(200.0, 0.31) is None


def missed(lux: float = 0.0, out: int = 0, still: bool = False, **known: Any) -> int | None:
    """Minutes until a lamp that is out is missed; `out`: minutes for which it has been out already."""
    lamp, shown = MissingLamp(out_since=BEGAN - out * MINUTE), light(False, still)

    def look(n: int) -> bool:
        lamp.watch(BEGAN + n * MINUTE, lux, LEVEL, shown, due(**known))
        return lamp.found

    return first(look)


def test_how_long_a_lamp_is_out_for_work_at_the_tank() -> None:
    assert missed() == 41
    assert missed(440.0) == 41 and missed(460.0) is None  # where the sun does its work nothing can be said


def test_light_that_fell_to_a_part_of_it_and_stays() -> None:
    assert missed(400.0, still=True) == 180 and missed(400.0) == 41


def test_light_that_came_to_a_part_of_it_and_stays() -> None:
    """On time, under a lid that is open: for three hours. Darker than a part, it has not come."""
    for lux, since, found in ((310.0, 179.0, False), (310.0, 181.0, True), (290.0, 60.0, True)):
        lamp = MissingLamp()
        lamp.watch(BEGAN, lux, LEVEL, light(False), due(since))
        assert lamp.found is found


def test_dark_that_may_be_its_fade() -> None:
    assert missed(out=60, since_on=460.5) == 0 and missed(out=60, since_on=461.5) != 0


def test_when_a_lamp_that_never_came_is_missed() -> None:
    for since, found in ((45.0, False), (46.0, True), (459.0, True), (461.0, False)):
        lamp = MissingLamp()
        lamp.watch(BEGAN, 0.0, LEVEL, light(False), due(since))
        assert lamp.found is found


@pytest.mark.parametrize(
    ("share", "still", "minutes"), [(0.52, True, 20), (0.52, False, 60), (0.48, True, None)]
)
def test_when_it_is_back(share: float, still: bool, minutes: int | None) -> None:
    lamp, shown = MissingLamp(found=True), light(True, still)

    def look(n: int) -> bool:
        lamp.watch(BEGAN + n * MINUTE, share * LEVEL, LEVEL, shown, due())
        return not lamp.found

    assert first(look, 100) == (None if minutes is None else minutes - 1)


def test_twenty_bright_minutes_are_the_lamp_though_its_edge_was_not_seen() -> None:
    for share, lit in ((0.79, None), (0.81, 19)):
        lamp, shown = MissingLamp(), light(False)

        def look(n: int, lamp: MissingLamp = lamp, shown: Any = shown, share: float = share) -> bool:
            lamp.watch(BEGAN + n * MINUTE, share * LEVEL, LEVEL, shown, due(20.0))
            return bool(shown.lit)

        assert first(look, 40) == lit


def broken(last: float, fell: float = 300.0, asked: int = 3, **known: Any) -> bool:
    """Whether a lamp that brightens over half an hour has gone out while it did."""
    lamp = MissingLamp()
    shown = light(True, newest_highest=lambda minutes: last + fell if minutes == asked else 0.0)
    shown.values = [last]
    lamp.watch(BEGAN, last, LEVEL, shown, due(**({"since_on": 15.0, "ramp": 30.0} | known)))
    return lamp.out_since >= 0


def test_a_lamp_that_goes_out_while_it_brightens() -> None:
    assert broken(340.0) and not broken(360.0)
    assert broken(100.0, 260.0) and not broken(100.0, 240.0)
    assert broken(100.0, ramp=10.0) and not broken(100.0, ramp=9.0)
    assert broken(100.0, since_on=39.0) and not broken(100.0, since_on=41.0)


@pytest.mark.parametrize(("since_on", "absent"), [(29.0, False), (31.0, True)])
def test_when_it_has_not_come_on(since_on: float, absent: bool) -> None:
    """Tolerance, half of its ramp, and five minutes."""
    assert MissingLamp.absent(0.0, LEVEL, light(False), due(since_on, ramp=30.0)) is absent


# -- what is waited for -----------------------------------------------------------------------------


def expected(length: float = 480, ramp: float = 0.0, fitted: bool = True, more: str = "") -> Due:
    """What the schedule says of the period's first minutes."""
    detector = LampDetector(drift=LampDrift(fitted=fitted))
    tank = tank_of(f"{LIGHT}ramp_min = {ramp:g}\n{more}")
    frame = Frame(BEGAN, BEGAN + MINUTE, None, None, None, None, None, {})
    periods = Period(600, 600 + length, 0, True, 0), 0.0
    return due_now(
        tank, Moment(frame, 0, 700.0, True, set()), periods, detector.tracker, detector.clock, detector.drift
    )


def waits(length: float, ramp: float = 0.0, fitted: bool = True) -> float:
    return expected(length, ramp, fitted).patience


def test_how_long_past_its_time_a_lamp_is_waited_for() -> None:
    """Three quarters of an hour, less in a short period; an hour more where it may be an hour off."""
    assert waits(480) == 45 and waits(100) == 40 and waits(480, fitted=False) == 75
    assert waits(50) == 25  # its tolerance and a quarter of an hour
    assert waits(50, ramp=30) == 10 + 0.1 * 30 + 30 + 15


# -- a lamp that is stuck on ------------------------------------------------------------------------


def sharp(size: float, quarter: float = 0.0) -> bool:
    lamp = StuckLamp()
    lamp.came_on(Edge(1, BEGAN, quarter, size), LEVEL)
    return lamp.lit_sharply


def test_a_lamp_that_comes_at_once() -> None:
    assert not sharp(690) and sharp(710) and sharp(1390) and not sharp(1410)
    assert sharp(LEVEL, 1.4) and not sharp(LEVEL, 1.6)


def known(highest: float, days: int = 2) -> Daylight:
    return Daylight(highest=[highest] * 48, days=[days] * 48)


def stuck(
    past_off: float = 100.0,
    lux: float = LEVEL,
    lit_min: float = 500.0,
    still: bool = True,
    sharply: bool = False,
    daylight: Daylight | None = None,
    out_min: float = 0.0,
    **more: Any,
) -> bool:
    lamp = StuckLamp(
        lit_since=BEGAN - round(lit_min * MINUTE),
        lit_sharply=sharply,
        daylight=daylight or known(0.0),
        out_total_ms=round(out_min * MINUTE),
    )
    lamp.watch(BEGAN, 0.0, lux, LEVEL, light(True, still), due(past_off=past_off, **more))
    return lamp.found


def test_how_long_after_its_time() -> None:
    assert not stuck(45.0) and stuck(46.0)
    assert not stuck(79.0, ramp=50.0) and stuck(81.0, ramp=50.0)  # ramp, tolerance and twenty minutes
    assert not stuck(64.0, out_min=20.0) and stuck(66.0, out_min=20.0)  # a timer that was stopped


def test_how_much_light_is_the_lamps() -> None:
    assert not stuck(lux=490) and stuck(lux=510)
    assert stuck(daylight=known(340)) and not stuck(daylight=known(360), lux=700)
    assert stuck(daylight=known(640)) and not stuck(daylight=known(660))
    assert not stuck(daylight=known(340, 1), lux=680) and stuck(daylight=known(340, 2), lux=680)


def test_switched_on_since_it_went_out() -> None:
    since: dict[str, Any] = {"past_off": 300.0, "sharply": True}
    assert not stuck(lit_min=19, **since) and stuck(lit_min=21, **since)
    assert stuck(lit_min=60, **since) and not stuck(lit_min=60, **(since | {"sharply": False}))
    assert not stuck(lit_min=60, to_on=239.0, **since) and stuck(lit_min=60, to_on=241.0, **since)


def test_an_outage_of_the_day_before_is_over_when_the_period_begins() -> None:
    for since_on, left in ((4.0, 0), (6.0, 20 * MINUTE)):
        lamp = StuckLamp(out_total_ms=20 * MINUTE)
        lamp.watch(BEGAN, 0.0, LEVEL, LEVEL, light(True), due(since_on))
        assert lamp.out_total_ms == left


# -- a lamp that stays on dimmed --------------------------------------------------------------------


def glowing(
    lux: float = 500.0,
    past_off: float = 100.0,
    daylight: Daylight | None = None,
    dark: float = 200.0,
    odd: dict[int, float] | None = None,
    level: float = LEVEL,
    **more: Any,
) -> bool:
    """A light that stays as it is, but for the minutes in `odd`; last dark so many minutes ago."""
    shown = LampTracker(
        times=[BEGAN + n * MINUTE for n in range(-90, 1)],
        values=[(odd or {}).get(n, lux) for n in range(-90, 1)],
        plateaus=[level] * 3,
    )
    what = due(past_off=past_off, **more)
    return glows(shown, level, BEGAN, 0.0, BEGAN - round(dark * MINUTE), daylight or known(0.0), what)


def test_how_much_of_its_light_a_dimmed_lamp_gives() -> None:
    assert glowing(790) and not glowing(810)
    assert glowing(160, daylight=known(0)) and not glowing(149, dark_share=0.01)
    assert glowing(151, dark_share=0.01)
    assert glowing(360, dark_share=0.35) and not glowing(340, dark_share=0.35)


@pytest.mark.parametrize(
    ("more", "lux", "seen"),
    [("", 155, True), ("", 95, False), ("night_light = true", 340, False), ("night_light = true", 360, True)],
)
def test_a_night_light_that_is_meant_is_no_lamp(more: str, lux: float, seen: bool) -> None:
    share = expected(more=more).dark_share
    assert glowing(lux, dark_share=share) is seen
    if not more:  # of a lamp so bright that a tenth of it is light
        for part, there in ((0.095, False), (0.105, True)):
            assert glowing(part * 10_000, level=10_000, dark_share=share) is there


def test_it_must_not_have_been_dark_since() -> None:
    """Ten minutes before what its timer may be early."""
    assert glowing(dark=81.0) and not glowing(dark=79.0)


def test_it_is_no_daylight() -> None:
    assert glowing(500, daylight=known(345)) and not glowing(500, daylight=known(347))
    assert glowing(500, daylight=known(29, 1)) and not glowing(500, daylight=known(31, 1))
    assert glowing(500, daylight=known(31, 2))


def test_it_stays_as_it_is_for_three_quarters_of_an_hour() -> None:
    assert not glowing(odd={-45: 560}) and glowing(odd={-46: 560})
    assert glowing(odd={-30: 549}) and not glowing(odd={-30: 552})


def test_three_parts_of_it_agree() -> None:
    """Within two in a hundred, each of a quarter of an hour."""
    for part, agrees in ((range(-14, 1), False), (range(-29, -14), False), (range(-7, 1), True)):
        assert glowing(odd=dict.fromkeys(part, 511.0)) is agrees
    assert glowing(odd=dict.fromkeys(range(-14, 1), 509.0))


# -- the timer --------------------------------------------------------------------------------------


def test_how_far_off_a_timer_may_be() -> None:
    plain, ramped = LampDetector(), LampDetector(tracker=LampTracker(quarters=[5.0] * 4))
    assert tolerance_min(tank_of(), plain.tracker) == 15
    assert tolerance_min(tank_of(LIGHT + "tolerance_min = 10\n"), ramped.tracker) == pytest.approx(
        10 + 0.3 * 20
    )
    assert (
        tolerance_min(tank_of(LIGHT + "tolerance_min = 10\nramp_min = 20\n"), ramped.tracker) == 10 + 0.1 * 20
    )
    plain.tracker.every_min = 5.0
    assert tolerance_min(tank_of(), plain.tracker) == 15 + (5 - 1) / 2  # an edge is between two frames


def test_out_as_early_as_it_came_on_is_a_timer_that_is_off() -> None:
    for apart, gone in ((14.0, False), (16.0, True)):
        detector = LampDetector(drift=LampDrift(last_on_error=-60.0))
        period = Period(600, 1080, 0, True, 960)
        detector._went_out(Edge(-1, BEGAN, 0.0, LEVEL), 1020 - apart, period, -60.0 - apart)
        assert (detector.presence.missing.out_since >= 0) is gone


def habit(*edges: tuple[int, int, float]) -> list[float]:
    hours = LampHours()
    for sign, day, minute in edges:
        hours.learn(sign, 4 + day + 2 * (day // 5), minute)  # working days, from a Monday on
    return hours.habit


def test_a_habit_is_two_days_of_switchings_at_one_time() -> None:
    assert habit((1, 0, 600), (-1, 0, 900)) == []
    day = [(1, 0, 600), (-1, 0, 900)]
    assert habit(*day, (1, 1, 609), (-1, 1, 900)) == pytest.approx([604.5, 900])
    assert habit(*day, (1, 1, 611), (-1, 1, 900)) == []


def test_a_habit_is_on_four_days_in_ten() -> None:
    for days, known_by in ((4, True), (6, False)):
        edges = [(sign, n, 300 + 45 * n + 20 * (sign < 0)) for n in range(1, days) for sign in (1, -1)]
        ends = [(1, 0, 1200), (-1, 0, 1300), (1, days, 1200), (-1, days, 1300)]
        assert bool(habit(*ends[:2], *edges, *ends[2:])) is known_by


def test_a_further_period_is_known_after_three_days() -> None:
    def day(n: int) -> list[tuple[int, int, float]]:
        return [(1, n, 600), (-1, n, 700), (1, n, 900), (-1, n, 1000)]

    assert len(habit(*day(0), *day(1))) == 2 and len(habit(*day(0), *day(1), *day(2))) == 4


@pytest.mark.parametrize(("lit", "habit_of"), [(1139, 2), (1141, 0)])
def test_no_lamp_is_on_for_longer_than_nineteen_hours(lit: int, habit_of: int) -> None:
    assert len(habit(*((sign, n, 60 + lit * (sign < 0)) for n in range(3) for sign in (1, -1)))) == habit_of


def test_how_much_of_a_habit_is_kept() -> None:
    hours = LampHours()
    for day in range(20):
        hours.learn(1, day, 600)
    assert hours.learnt_on[-1] - hours.learnt_on[0] == 10 * 1440
    for minute in range(0, 1430, 11):
        hours.learn(1, 20, minute)
    assert len(hours.learnt_on) == 40
