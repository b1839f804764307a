"""What the running estimates take up, keep and leave out: just inside each rule and just outside.

Common practice, no source, where nothing else is named.
"""

from __future__ import annotations

import math

import pytest

from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.jitter import Jitter
from rushlight.analysis.estimators.rests import Rests
from rushlight.analysis.estimators.sensor import Sensor

MINUTE = 60_000
DAY = 1440
BEGAN = 1_772_323_200_000

# -- a series' step, interval and noise -------------------------------------------------------------


def fed(*values: float, every_s: float = 60) -> Sensor:
    sensor = Sensor()
    for n, value in enumerate(values):
        sensor.add(value, BEGAN + round(n * every_s * 1000), 1)
    return sensor


def test_no_quantity_is_larger() -> None:
    assert fed(0.9e9).values == [0.9e9] and fed(1.1e9).values == []


def test_rounding_of_a_devices_arithmetic_is_no_step() -> None:
    """Of a single: 16 units in the last place of 24 bits (IEEE 754) are 2e-6 of it."""
    assert fed(100.0, 100.00018).step == 0 and fed(100.0, 100.00022).step > 0
    assert fed(0.1, 0.1000018).step == 0 and fed(0.1, 0.1000022).step > 0


def test_three_small_differences_make_a_step() -> None:
    large = [0.0, 1.0, 2.0, 3.0]
    assert fed(*large, 3.1, 3.2).step == 1.0 and fed(*large, 3.1, 3.2, 3.3).step == pytest.approx(0.1)


@pytest.mark.parametrize(("hours", "coarse"), [(47.5, False), (48.5, True)])
def test_after_two_days_a_coarser_probe_is_known(hours: float, coarse: bool) -> None:
    values = [0.0, 0.01, 0.02, 0.03]
    values += [0.5 * (n % 2) for n in range(round(hours * 6) - 3)]
    assert (fed(*values, every_s=600).step == 0.5) is coarse


@pytest.mark.parametrize(("odd", "seconds"), [(4, 60), (5, 300)])
def test_four_odd_intervals_are_no_matter(odd: int, seconds: int) -> None:
    sensor, at = Sensor(), BEGAN
    for span in [60] * 20 + [300] * odd:
        at += span * 1000
        sensor.add(1.0, at, 1)
    assert sensor.interval_ms == seconds * 1000


@pytest.mark.parametrize(
    ("every_s", "readings", "gap_s", "neighbours"),
    [(60, 6, 205, True), (60, 6, 215, False), (120, 1, 415, True), (120, 1, 425, False)],
)
def test_how_far_apart_readings_are_neighbours(
    every_s: int, readings: int, gap_s: int, neighbours: bool
) -> None:
    """Three and a half intervals, or frames of a minute where they are more frequent."""
    sensor = Sensor()
    for n in range(12):
        sensor.add(1.0, BEGAN + n * every_s * 1000, readings)
    sensor.add(1.0, BEGAN + (11 * every_s + gap_s) * 1000, readings)
    assert (len(sensor.values) > 1) is neighbours


def test_a_wild_value_counts_as_five_usual_ones() -> None:
    """Second differences of 2, and one of 9.8, 10.2 and 12."""
    usual = [float(n % 2) for n in range(20)]
    swings = [fed(*usual, wild).swing for wild in (11.8, 12.2, 14.0)]
    assert swings[0] < swings[1] == swings[2]


def test_noise_is_of_the_last_two_hours() -> None:
    """After them a probe that has become quiet has 1/e of what it had."""
    noisy = [float(n % 2) for n in range(400)]
    before, after = fed(*noisy).swing, fed(*noisy, *[1.0] * 121).swing
    assert after / before == pytest.approx(math.exp(-1), rel=0.03)


# -- how long a live series rests -------------------------------------------------------------------


def rested(longest: float, count: int, days: int = 7) -> Rests:
    """Days with so many rests, all as long; one more day has begun."""
    rests = Rests()
    for day in range(days):
        for _ in range(count):
            rests.note(day, longest, ended=True)
    rests.note(days, 0.0, ended=False)
    return rests


def test_once_in_a_thousand_days_and_one_standard_error() -> None:
    """One rest a day: a Gumbel variable has mean b γ, and exceeds b ln D once in D (Gumbel 1958).

    A quantile at y has the variance b²/n (1 + (1 - γ + y)² 6/π²) by maximum likelihood.
    """
    gamma, reach = 0.577216, math.log(1000)
    scale = 60 / gamma
    error = scale * math.sqrt((1 + (1 - gamma + reach) ** 2 * 6 / math.pi**2) / 7)
    limit = 60 + scale * (reach - gamma) + error
    assert rested(60.0, 1).limit_min() == pytest.approx(limit, rel=0.01)


def test_more_than_twenty_rests_a_day_say_nothing_more() -> None:
    limits = [rested(60.0, count).limit_min() for count in (14, 18, 22, 28)]
    assert limits[0] > limits[1] > limits[2] == limits[3]


def test_the_last_week_is_remembered() -> None:
    rests = rested(500.0, 5, 1)
    for day in range(1, 9):
        for _ in range(5):
            rests.note(day, 60.0, ended=True)
        assert (500.0 in rests.longest_min) is (day <= 7)


# -- how much a probe jumps -------------------------------------------------------------------------


@pytest.mark.parametrize(("every", "ends"), [(1, 29), (5, 55)])
def test_how_long_a_block_is(every: int, ends: int) -> None:
    """Half an hour, and twelve frames where they are rare."""
    jitter = Jitter()
    said = [n for n in range(0, 120, every) if jitter.add("ph", BEGAN + n * MINUTE, [7.0], False, True)]
    assert said[0] == ends


def restless(
    level: float, name: str = "ph", usual: list[float] | None = None, step: float = 0.0, loud: int = 0
) -> bool:
    """Whether a block of jumps of that size, but for some, is more than usual."""
    jitter = Jitter(usual=[0.001] * 10 if usual is None else usual, step=step, frames=30)
    jitter.swings = [level] * (30 - loud) + [50.0] * loud
    jitter._close(name, learn=False)
    return jitter.restless > 0


def test_what_is_no_fault_whatever_the_habit() -> None:
    for name, floor in (("ph", 0.02), ("temperature", 0.1), ("room_temperature", 0.14)):
        assert not restless(0.95 * floor, name) and restless(1.05 * floor, name)
    assert not restless(0.155, step=0.1) and restless(0.165, step=0.1)  # its own step and a half


def test_a_third_of_a_block_may_be_anything() -> None:
    assert not restless(0.01, loud=10) and restless(0.01, loud=11)


def test_what_is_usual() -> None:
    """1.7 times the livelier blocks; before six of them twice the floor, of pH what hides gas."""
    assert not restless(0.097, usual=[0.001] * 5) and restless(0.103, usual=[0.001] * 5)
    assert restless(0.097, usual=[0.001] * 6)
    for level, fault in ((0.195, False), (0.205, True)):
        assert restless(level, "temperature", usual=[0.001] * 5) is fault
    lively = [0.01 * n for n in range(1, 11)]
    assert not restless(0.165, usual=lively) and restless(0.175, usual=lively)
    assert not restless(0.165, usual=[*lively[:9], 0.1]) and restless(0.165, usual=[*lively[:9], 0.09])
    jitter = Jitter()
    for n in range(80 * 30):
        jitter.add("ph", BEGAN + n * MINUTE, [7.0], False, True)
    assert len(jitter.usual) == 48  # half-hours of a day


def doubted(jump: float, wild: int) -> bool:
    """Whether so many jumps make it doubtful before the block is over."""
    jitter = Jitter(usual=[0.02] * 10, sizes=[30], last_ms=BEGAN)
    for _ in range(wild):
        jitter.last = [7.0, 7.0]
        jitter._swing("ph", 0.02, [7.0 + jump])
    return jitter.doubtful()


def test_wild_jumps_make_it_doubtful_at_once() -> None:
    """Three times the limit of 1.7 times 0.02, in more than a fifth of a block."""
    assert not doubted(0.100, 20) and doubted(0.104, 20)
    assert not doubted(0.2, 6) and doubted(0.2, 7)


@pytest.mark.parametrize(("minutes", "kept"), [(30, 2), (31, 1)])
def test_after_a_gap_neighbours_say_nothing(minutes: int, kept: int) -> None:
    jitter = Jitter(last=[7.0], last_ms=BEGAN)
    jitter.add("ph", BEGAN + minutes * MINUTE, [7.0], False, True)
    assert len(jitter.last) == kept


def test_a_loose_contact() -> None:
    def loose(*gaps: int) -> bool:
        return Jitter(gaps=list(gaps), sizes=[30] * len(gaps)).loose()

    assert loose(3, 3, 3) and not loose(3, 3, 2) and not loose(5, 5)  # a tenth of three blocks
    assert loose(2, 5, 2) and not loose(1, 6, 2)
    jitter = Jitter(gaps=[1, 2, 3], sizes=[30] * 3, frames=30, broken=4)
    jitter._close("ph", learn=False)
    assert jitter.gaps == [2, 3, 4]


# -- what is usual at a time of the day -------------------------------------------------------------


def test_a_day_has_half_hours() -> None:
    profile = DailyProfile()
    for minute in range(0, 4 * 30, 5):
        profile.add(minute, minute // 30, True)
    assert profile.at(15) == 0.0 and profile.at(30) == 0.5 and profile.at(45) == 1.0


@pytest.mark.parametrize(("values", "known"), [(1, False), (2, True)])
def test_two_values_make_a_half_hour(values: int, known: bool) -> None:
    profile = DailyProfile()
    for half_hour in range(3):
        for n in range(values):
            profile.add(30 * half_hour + 5 * n, 1.0, True)
    assert (profile.at(30) is not None) is known


def days(*values: float, centre: str) -> float | None:
    profile = DailyProfile(centre="mean" if centre == "mean" else "median")
    for value in values:
        profile._learn(0, value)
        profile._learn(1, value)
    return profile.at(30)


def test_how_many_days_are_usual() -> None:
    assert days(*[0.0] * 9, 1.0, centre="mean") == pytest.approx(0.25)  # the newest is a quarter
    assert days(0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 0.0, 0.0, centre="median") == 1.0  # of five


def spoilt(left_out: int) -> bool:
    extremes = DailyExtremes()
    for n in range(289):
        extremes.add(BEGAN + n * 5 * MINUTE, 7.0, n >= left_out, 100)
    return not extremes.lows


def test_three_hours_left_out_spoil_a_day_and_a_week_is_kept() -> None:
    assert not spoilt(36) and spoilt(37)
    extremes = DailyExtremes()
    for day in range(20):
        for n in range(4):
            extremes.add(BEGAN + (day * DAY + n * 360) * MINUTE, float(day), True, 2)
    assert extremes.lows == [12.0, 13.0, 14.0, 15.0, 16.0, 17.0, 18.0]
