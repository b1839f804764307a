"""Where steps of pH are a mains device's: just inside each rule and just outside.

Steps and switchings by the minute, made up. Common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.moment import GasFacts, Moment, Tank
from rushlight.analysis.detectors.stray_current.cause import (
    away_back_away,
    by_the_clock,
    follows,
    telegraph,
)
from rushlight.analysis.detectors.stray_current.detector import StrayCurrentDetector
from rushlight.analysis.detectors.stray_current.shaken import leapt_and_shakes
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
HOUR = 60
DAY = 1440
BEGAN = 1_772_323_200_000
TEXT = (
    '[tanks.sill]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.sill.livestock]\ntemperature_low_c = 20\ntemperature_high_c = 29\n"
)
TANK = Tank("sill", parse_settings(TEXT).tanks["sill"])


def ms(*minutes: float) -> list[int]:
    return [BEGAN + round(one * MINUTE) for one in minutes]


# -- what makes a cause -----------------------------------------------------------------------------


def beside(sizes: list[float | None], apart: float = 0.0) -> int:
    """Switchings an hour apart, on and off, each with a step of that size in its sense beside it or none."""
    switches = ms(*(HOUR * n for n in range(len(sizes))))
    signs = [1 - 2 * (n % 2) for n in range(len(sizes))]
    steps = [
        (t + round(apart * MINUTE), s * size)
        for t, s, size in zip(switches, signs, sizes, strict=True)
        if size is not None
    ]
    return follows([t for t, _ in steps], [s for _, s in steps], switches, signs, list(range(len(sizes))))


def test_steps_that_follow_a_switch() -> None:
    assert beside([1.0] * 4, 5.9) == 4 and beside([1.0] * 4, 6.1) == 0
    assert beside([1.0] * 7 + [None] * 3) == 7 and beside([1.0] * 6 + [None] * 4) == 0
    for size, alike in ((0.51, 5), (0.49, 4), (1.99, 5), (2.01, 4)):
        assert beside([1.0] * 4 + [size]) == alike
    assert beside([1.0] * 8 + [9.0] * 2) == 8 and beside([1.0] * 7 + [9.0] * 3) == 0


def turns(*sizes: float) -> list[float]:
    """Steps of those sizes, up and down."""
    return [size * (1 - 2 * (n % 2)) for n, size in enumerate(sizes)]


def test_steps_of_one_size_that_alternate() -> None:
    assert telegraph(turns(*[0.2] * 4)) and not telegraph(turns(*[0.2] * 3))
    assert telegraph(turns(*[0.125] * 4)) and not telegraph(turns(*[0.115] * 4))
    assert telegraph(turns(*[0.115] * 5))
    for size, alike in ((0.61, True), (0.59, False), (1.49, True), (1.51, False)):
        assert telegraph(turns(1, 1, 1, size)) is alike
    assert telegraph([*turns(*[1.0] * 7), 0.1, -0.1, 0.1])
    assert not telegraph([*turns(*[1.0] * 6), 0.1, -0.1, 0.1, 0.1])
    assert telegraph([1, -1, 1, -1, -1]) and not telegraph([1, -1, 1, 1, 1])


def three(*sizes: float, at: tuple[float, float, float] = (0, 60, 120)) -> bool:
    return away_back_away(ms(*at), turns(*sizes))


def test_three_large_steps_away_back_and_away() -> None:
    assert three(0.26, 0.26, 0.26) and not three(0.24, 0.24, 0.24)
    for size, alike in ((0.33, True), (0.31, False), (0.49, True), (0.51, False)):
        assert three(0.4, 0.4, size) is alike
    assert three(0.4, 0.4, 0.4, at=(0, 15, 30.1)) and not three(0.4, 0.4, 0.4, at=(0, 15, 29.9))
    assert three(0.4, 0.4, 0.4, at=(0, 60, 25.9 * HOUR))
    assert not three(0.4, 0.4, 0.4, at=(0, 60, 26.1 * HOUR))
    assert three(0.4, 0.4, 0.4, at=(0, 12.1, 60)) and not three(0.4, 0.4, 0.4, at=(0, 11.9, 60))


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        ((0.2, -0.2, 9.9), (0.2, -0.2, 10.1)),
        ((0.152, -0.2, 0), (0.148, -0.2, 0)),
        ((0.264, -0.2, 0), (0.268, -0.2, 0)),
        ((0.2, -0.132, 0), (0.2, -0.128, 0)),
        ((0.2, -0.298, 0), (0.2, -0.302, 0)),
    ],
)
def test_a_step_that_came_a_day_before_too(
    inside: tuple[float, float, float], outside: tuple[float, float, float]
) -> None:
    for (first, back, late), seen in ((inside, True), (outside, False)):
        assert by_the_clock(ms(0, 60, DAY + late), [first, back, 0.2]) is seen


# -- what is a step ---------------------------------------------------------------------------------


def steps(
    *values: float,
    noise: float | None = 0.0,
    step: float = 0.0,
    every: float = 1.0,
    seen_every: float | None = None,
) -> StrayCurrentDetector:
    """pH by the report, each so many minutes; the electrode's reports are known to come so often."""
    detector = StrayCurrentDetector()
    if noise is not None:
        detector.noise = noise
    sensor = Sensor(step=step, interval_ms=round((every if seen_every is None else seen_every) * MINUTE))
    for n, value in enumerate(values):
        detector._take_back(BEGAN + round(n * every * MINUTE), 7.0 + value)
        detector._steps(BEGAN + round(n * every * MINUTE), 7.0 + value, 0.0, sensor)
    return detector


def stepped(size: float, **known: Any) -> bool:
    return bool(steps(0, 0, 0, size, size, size, **known).step_size)


def test_how_large_a_step_is() -> None:
    assert stepped(0.052) and not stepped(0.048)
    assert stepped(0.055, noise=None)  # of a new electrode
    assert stepped(0.105, noise=0.02) and not stepped(0.095, noise=0.02)
    assert stepped(0.17, step=0.1) and not stepped(0.15, step=0.1)


def test_how_even_it_is_on_both_sides_and_how_sudden_between() -> None:
    assert steps(0, 0.25, 0, 1, 1, 1).step_size and not steps(0, 0.27, 0, 1, 1, 1).step_size
    assert steps(0, 0, 0.19, 0.5, 1, 1).step_size and not steps(0, 0, 0.21, 0.5, 1, 1).step_size


def test_what_falls_on_by_as_much_again_within_six_minutes_was_no_step() -> None:
    """Gas is steep in its first minutes and goes on; what leaks from the mains does not."""
    shown = [0.0, 0.0, 0.0, -0.1, -0.1, -0.1]
    for minutes, to, kept in ((6, -0.205, 0), (6, -0.195, 1), (7, -0.205, 1)):
        assert len(steps(*shown, *[-0.1] * (minutes - 1), to).step_size) == kept
    rise = [-value for value in shown]
    assert len(steps(*rise, *[0.1] * 5, 0.205).step_size) == 1, "gas lifts no pH"


def test_six_reports_show_it_or_four_where_they_are_rarer() -> None:
    for every, reports in ((1.0, 6), (2.0, 6), (3.0, 4)):
        middle = reports // 2
        shown = [0.0] * middle + [1.0] * middle
        assert steps(*shown, every=every).step_size
        assert not steps(*shown[1:], every=every).step_size


def test_reports_that_lie_too_far_apart_show_none() -> None:
    assert steps(0, 0, 0, 1, 1, 1, every=2.38, seen_every=1.0).step_size
    assert not steps(0, 0, 0, 1, 1, 1, every=2.42, seen_every=1.0).step_size
    assert steps(0, 0, 1, 1, every=14.9, seen_every=10.0).step_size
    assert not steps(0, 0, 1, 1, every=15.1, seen_every=10.0).step_size


def test_two_steps_one_way_within_nine_minutes_are_one() -> None:
    assert len(steps(*[0.0] * 6, *[1.0] * 5, 2, 2).step_size) == 1
    assert len(steps(*[0.0] * 6, *[1.0] * 6, 2, 2).step_size) == 2


def test_when_it_was() -> None:
    """Between the levels: three minutes before it is seen, or a report and a half."""
    assert steps(0, 0, 0, 1, 1, 1).step_ms == ms(5 - 3)
    assert steps(0, 0, 1, 1, every=10.0).step_ms == ms(30 - 15)


def test_steps_are_kept_for_a_day_and_a_half() -> None:
    for hours, kept in ((35.8, 2), (36.2, 1)):
        detector = steps(0, 0, 0, 1, 1, 1)
        for n, value in enumerate((1, 1, 1, 0, 0, 0)):
            at = detector.step_ms[0] + round(hours * HOUR * MINUTE) + (n - 5) * MINUTE
            detector._steps(at, 7.0 + value, 0.0, Sensor(interval_ms=MINUTE))
        assert len(detector.step_ms) == kept
    many = [float(n // 7 % 2) for n in range(7 * 60)]
    assert len(steps(*many).step_ms) == 40


# -- which device, and for how long -----------------------------------------------------------------


def caused(now: float, at: list[float], sizes: list[float], **switches: Any) -> str:
    detector = StrayCurrentDetector(step_ms=ms(*at), step_size=sizes, **switches)
    return detector._cause(BEGAN + round(now * MINUTE))


def test_a_heater_is_named_after_three_switchings_within_half_a_day() -> None:
    for count, cause in ((3, "heater"), (2, "")):
        at = [HOUR * n for n in range(count)]
        signs = [1 - 2 * (n % 2) for n in range(count)]
        found = caused(3 * HOUR, at, [0.1 * one for one in signs], switch_ms=ms(*at), switch_sign=signs)
        assert found == cause
    for hours, cause in ((11.9, "heater"), (12.1, "")):
        at = [0, 10 * HOUR, 11 * HOUR]
        found = caused(hours * HOUR, at, [0.1, -0.1, 0.1], switch_ms=ms(*at), switch_sign=[1, -1, 1])
        assert found == cause


def test_a_lamp_is_named_after_two_switchings_within_a_day_and_a_quarter() -> None:
    for hours, cause in ((29.9, "lamp"), (30.1, "")):
        at = [0, 10 * HOUR]
        assert caused(hours * HOUR, at, [0.1, -0.1], lamp_ms=ms(*at), lamp_sign=[1, -1]) == cause
    lamps = [HOUR * n for n in range(6)]
    signs = [1, -1, 1, -1, 1, -1]
    for at in ([2, 3, 4, 5], [2, 3, 4]):
        steps_at, sizes = [lamps[n] for n in at], [0.1 * signs[n] for n in at]
        assert caused(6 * HOUR, steps_at, sizes, lamp_ms=ms(*lamps), lamp_sign=signs) == "lamp"


def test_steps_of_half_a_day_are_looked_at_where_nothing_is_metered() -> None:
    at: list[float] = [0, 8 * HOUR, 9 * HOUR, 11 * HOUR]
    assert caused(11.9 * HOUR, at, turns(*[0.2] * 4)) == "device"
    assert caused(12.1 * HOUR, at, turns(*[0.2] * 4)) == ""
    assert caused(120 + 85, [0, 60, 120], turns(0.4, 0.4, 0.4)) == "device"
    assert caused(120 + 95, [0, 60, 120], turns(0.4, 0.4, 0.4)) == ""


def test_it_is_over_after_thirty_hours_without_a_step() -> None:
    for hours, over in ((29.9, False), (30.1, True)):
        detector = StrayCurrentDetector(step_ms=ms(0, 60, 120, 180), step_size=turns(*[0.2] * 4))
        detector._judge(BEGAN + 190 * MINUTE)
        assert detector.standing == "device"
        detector._judge(BEGAN + round((180 + hours * HOUR) * MINUTE))
        assert (detector.standing == "") is over


def facts(minute: float, watts: float | None = None, **known: Any) -> tuple[Moment, StrayCurrentDetector]:
    detector = StrayCurrentDetector(**known)
    now = BEGAN + round(minute * MINUTE)
    moment = Moment(Frame(now, now + MINUTE, None, None, None, None, watts, {}), 0, 0.0, False, set())
    detector.update(TANK, moment)
    return moment, detector


def test_a_step_fades_out_in_a_day_and_a_half() -> None:
    one: dict[str, Any] = {"step_ms": ms(0), "step_size": [0.4]}
    assert facts(12 * HOUR, **one)[0].current.ph_stepped == pytest.approx(0.4)
    assert 0.0 < facts(35 * HOUR, **one)[0].current.ph_stepped < 0.03
    assert facts(37 * HOUR, **one)[0].current.ph_stepped == 0.0
    for size, told in ((0.062, True), (0.058, False)):
        moment, detector = facts(1, step_ms=ms(0), step_size=[size])
        assert (detector.beliefs(TANK, moment)["ph_stepped"] is not None) is told


def test_a_step_with_the_lamp() -> None:
    for apart, hours, beside_it in ((5.9, 1, True), (6.1, 1, False), (0, 15.9, True), (0, 16.1, False)):
        moment, _ = facts(hours * HOUR, step_ms=ms(0), step_size=[0.4], lamp_ms=ms(apart), lamp_sign=[1])
        assert moment.current.step_with_lamp is beside_it


def test_what_a_heater_draws_that_is_on() -> None:
    assert facts(0, 3.1)[1].heater_on and not facts(0, 2.9)[1].heater_on


@pytest.mark.parametrize(("minutes", "seen"), [(59, False), (60, True)])
def test_an_electrode_must_have_shaken_for_an_hour(minutes: int, seen: bool) -> None:
    now = BEGAN + 24 * HOUR * MINUTE
    about = Moment(Frame(now, now + MINUTE, None, None, None, None, None, {}), 0, 0.0, True, set())
    assert not leapt_and_shakes(about, now)
    about.gas_before = GasFacts(shaken=(now - minutes * MINUTE, 7.0, 6.6))
    assert leapt_and_shakes(about, now) is seen


@pytest.mark.parametrize(("leap", "seen"), [(0.21, True), (0.19, False)])
def test_a_leap_is_larger_than_what_it_shakes_by(leap: float, seen: bool) -> None:
    """By four times: an electrode in the air jumps by 0.05 a minute, and now and then by thrice that."""
    now = BEGAN + 24 * HOUR * MINUTE
    about = Moment(Frame(now, now + MINUTE, None, None, None, None, None, {}), 0, 0.0, True, set())
    about.gas_before = GasFacts(shaken=(now - 90 * MINUTE, 7.0, 7.0 - leap))
    about.probes.ph_jitter = 0.05
    assert leapt_and_shakes(about, now) is seen


def test_the_gas_family_is_given_the_usual_step_of_a_current_that_is_there() -> None:
    """As it is shown. One wild step, of an electrode out of the water, hides no gas."""
    sizes = [0.2, -0.2, 2.5, 0.3]
    for standing, given in (("device", 0.25), ("", 0.0)):
        moment, detector = facts(
            1, step_ms=ms(-180, -120, -60, 0), step_size=sizes, standing=standing, until_ms=BEGAN * 2
        )
        assert moment.current.off_by == pytest.approx(given)
        assert [found.value for found in detector.update(TANK, moment)] == ([given] if standing else [])
