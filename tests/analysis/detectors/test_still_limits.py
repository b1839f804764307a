"""How long a probe may give nothing, or one value: just inside each rule and just outside.

What is known of the probe is given as it is. Common practice, no source.
"""

from __future__ import annotations

import pytest

from rushlight.analysis.detectors.frames import Frame, SeriesFrame
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.detectors.probes import dead, restless, still
from rushlight.analysis.detectors.probes.health import SeriesHealth, _jitter_text
from rushlight.analysis.estimators.jitter import Jitter
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.collector.intake.limits import LIMITS
from rushlight.collector.readings import PH, ROOM_TEMPERATURE, TEMPERATURE
from tests.analysis.detectors.test_probes import HOUR, Bench, jitter

MINUTE = 60_000
BEGAN = 1_772_323_200_000


def moment(minute: float, **series: SeriesFrame) -> Moment:
    now = BEGAN + round(minute * MINUTE)
    frame = Frame(now, now + MINUTE, None, None, None, None, None, dict(series))
    return Moment(frame, 0, minute % 1440, True, set())


# -- nothing ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("every", "minutes", "absent"), [(1, 20, False), (1, 21, True), (10, 40, False), (10, 41, True)]
)
def test_how_long_a_probe_may_send_nothing_while_others_do(every: int, minutes: int, absent: bool) -> None:
    about = moment(minutes, light=SeriesFrame(good=1))
    health = SeriesHealth(last_good_ms=BEGAN)
    assert dead._absent(PH, about.frame, health, every * MINUTE) is absent


def test_after_two_minutes_without_a_value_it_is_not_judged_by() -> None:
    bench = Bench().run(HOUR, ph=jitter(7.0, 0.01)).run(10, ph=lambda _: None)
    assert min(bench.doubted["ph"]) - HOUR == 3  # a frame is looked at when it is over


@pytest.mark.parametrize(("quantity", "near"), [(TEMPERATURE, 1.5), (ROOM_TEMPERATURE, 2.0), (PH, 0.7)])
def test_what_walked_out_of_the_sensible_range(quantity: str, near: float) -> None:
    low, high = LIMITS[quantity].suspect_low, LIMITS[quantity].suspect_high
    for inside, walks in ((0.95 * near, True), (1.05 * near, False)):
        assert dead._near_edge(quantity, high - inside) is dead._near_edge(quantity, low + inside) is walks


# -- one value --------------------------------------------------------------------------------------


def limit(quantity: str, step: float, value: float = 25.0) -> float:
    return still.new_limit_min(quantity, value, step)


def test_coarser_probes_rest_longer() -> None:
    """pH in proportion to its step, temperature by the square of it: half degrees may rest for 16 days."""
    assert limit(TEMPERATURE, 0.05) == limit(TEMPERATURE, 0.0625) < limit(TEMPERATURE, 0.066)
    assert limit(TEMPERATURE, 0.125) == 4 * limit(TEMPERATURE, 0.0625)
    assert limit(TEMPERATURE, 0.25) == 4 * 24 * 60
    assert limit(TEMPERATURE, 0.49) < limit(TEMPERATURE, 0.5) == limit(TEMPERATURE, 1.0) == 16 * 24 * 60
    assert limit(PH, 0.007) == limit(PH, 0.0099) < limit(PH, 0.011)
    assert limit(PH, 0.08) < limit(PH, 0.095) < limit(PH, 0.105) == limit(PH, 0.14)


def test_a_probe_that_has_not_moved_may_be_as_coarse_as_it_looks() -> None:
    fine, coarse = limit(TEMPERATURE, 0.01), limit(TEMPERATURE, 0.5)
    assert limit(TEMPERATURE, 0.0, 25.0045) == coarse and limit(TEMPERATURE, 0.0, 25.0055) == fine
    assert fine < limit(TEMPERATURE, 0.0, 25.25) <= coarse


def test_water_as_warm_as_on_no_day_before_rests_as_of_a_new_probe() -> None:
    """Its heater switched it up and down every half-hour; where that is off, or always on, water is slow."""
    health = SeriesHealth()
    for day in range(4):
        for n in range(20):
            health.rests.note(day, 20.0 + n % 3, ended=True, value=24.0 + n % 3)
    own = still.limit_min(TEMPERATURE, 25.0, 0.0625, health)
    assert own == still.limit_min(TEMPERATURE, 26.06, 0.0625, health) < 160
    for value in (23.9, 26.1):
        assert still.limit_min(TEMPERATURE, value, 0.0625, health) == limit(TEMPERATURE, 0.0625) == 360
    assert still.limit_min(PH, 6.9, 0.01, health) < 100 < limit(PH, 0.01)  # pH has no heater
    for day in (4, 5, 6):  # two whole days there
        health.rests.note(day, 20.0, ended=True, value=28.0)
    assert still.limit_min(TEMPERATURE, 28.0, 0.0625, health) < 160


def test_of_a_thermometer_it_is_kept_where_it_rested() -> None:
    health = SeriesHealth(rest_from_ms=BEGAN, seen_ms=BEGAN + 9 * MINUTE, rest_value=25.0)
    series = SeriesFrame(good=1, last=25.1, flat_since=BEGAN + 10 * MINUTE)
    still._follow(moment(10), TEMPERATURE, series, health, Sensor(step=0.1, interval_ms=MINUTE))
    assert (health.rests.low, health.rests.high) == (25.0, 25.0)


@pytest.mark.parametrize(
    ("every", "minutes", "rests"), [(1, 20, True), (1, 21, False), (10, 40, True), (10, 41, False)]
)
def test_over_which_gap_a_rest_goes_on(every: int, minutes: int, rests: bool) -> None:
    health = SeriesHealth(rest_from_ms=BEGAN - HOUR * MINUTE, seen_ms=BEGAN, rest_value=25.0)
    series = SeriesFrame(good=1, last=25.0, flat_since=BEGAN - HOUR * MINUTE)
    still._follow(moment(minutes), TEMPERATURE, series, health, Sensor(interval_ms=every * MINUTE))
    assert (health.rest_from_ms < BEGAN) is rests


@pytest.mark.parametrize(("steps", "live"), [(1.5, True), (1.7, False)])
def test_what_was_frozen_has_a_way_to_make_up(steps: float, live: bool) -> None:
    health = SeriesHealth(rest_from_ms=BEGAN, seen_ms=BEGAN + 9 * MINUTE, rest_value=25.0, fault="flat")
    series = SeriesFrame(good=1, last=25.0 + 0.1 * steps, flat_since=BEGAN + 10 * MINUTE)
    still._follow(moment(10), TEMPERATURE, series, health, Sensor(step=0.1, interval_ms=MINUTE))
    assert bool(health.rests.today) is live


@pytest.mark.parametrize(("minutes", "over"), [(9, True), (10, False)])
def test_a_value_that_is_young_moves_again(minutes: int, over: bool) -> None:
    since = BEGAN - minutes * MINUTE
    health = SeriesHealth(rest_from_ms=since, seen_ms=BEGAN - MINUTE, rest_value=25.0, fault="flat")
    series = SeriesFrame(good=1, last=25.0, flat_since=since)
    still.note(moment(0), TEMPERATURE, series, health, Sensor(interval_ms=MINUTE))
    assert (health.fault == "") is over


@pytest.mark.parametrize(("celsius", "minutes"), [(0.29, 0), (-0.29, 0), (0.31, 60)])
def test_freezing_water_holds_its_temperature(celsius: float, minutes: float) -> None:
    assert still._minutes(TEMPERATURE, celsius, HOUR * MINUTE) == minutes


# -- jumps ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("broken", "fault"), [(1, ""), (2, "loose")])
def test_when_a_contact_is_tight_again(broken: int, fault: str) -> None:
    health = SeriesHealth(fault="loose")
    health.jitter = Jitter(gaps=[5, 0, 0], sizes=[30] * 3, frames=29, began_ms=BEGAN - 29 * MINUTE)
    health.jitter.broken = broken
    restless.note(PH, [7.0], health, BEGAN, False, False)
    assert health.fault == fault


@pytest.mark.parametrize(("usual", "said"), [(0.0096, "0.010 is usual"), (0.0104, "by 0.01 is usual")])
def test_fine_jumps_are_said_to_three_digits(usual: float, said: str) -> None:
    assert said in _jitter_text(PH, Jitter(usual=[usual] * 10, level=0.2))
