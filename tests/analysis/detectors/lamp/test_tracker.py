"""The lamp's edges found in lux: ramps from none to an hour, sunlight, dropouts.

Reference: the course itself, made here with known switching times. The sensor's noise and the sunlight beside
a window are common practice, no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.detectors.lamp.edge import Edge
from rushlight.analysis.detectors.lamp.steady_light import level_beside_dark, steady_level
from rushlight.analysis.detectors.lamp.tracker import LampTracker

MINUTE = 60_000
DAY = 1440
BEGAN = 1_772_323_200_000  # 2026-03-01T00:00Z
LAMP = 6000.0
ON, OFF = 12 * 60, 20 * 60

Sun = Callable[[float], float]


def lamp(minute: float, ramp: float, on: float = ON, off: float = OFF) -> float:
    """Straight ramps: `on` is when it begins to rise, `off` when it is fully dark (contract, section 3)."""
    if ramp == 0:
        return LAMP if on <= minute < off else 0.0
    return LAMP * min(1.0, max(0.0, (minute - on) / ramp), max(0.0, (off - minute) / ramp))


def no_sun(_: float) -> float:
    return 0.0


def window_sun(minute: float) -> float:
    """A bright morning beside a window: up to 2500 lx at nine, gone at noon."""
    return 2500 * max(0.0, math.sin(math.pi * (minute - 360) / 360)) if 360 < minute < 720 else 0.0


def evening_sun(minute: float) -> float:
    """Comes round at three and goes while the lamp is still on."""
    return 2500 * max(0.0, math.sin(math.pi * (minute - 900) / 240)) if 900 < minute < 1140 else 0.0


def frames(days: int, ramp: float, sun: Sun = no_sun, noise: float = 0.01) -> Iterator[tuple[int, float]]:
    """One-minute means with the sensor's noise, a share of the value."""
    chance = random.Random(7)
    for n in range(days * DAY):
        minute = n % DAY
        mean = sum(lamp(minute + (k + 0.5) / 6, ramp) + sun(minute + (k + 0.5) / 6) for k in range(6)) / 6
        yield BEGAN + n * MINUTE, max(0.0, mean * (1 + chance.gauss(0, noise)) + chance.gauss(0, 2))


def known(setting: float | None = None, ramp: float = 0.0) -> LampTracker:
    """A tracker that has seen this lamp for some days."""
    quarters = [] if setting is not None else [ramp / 4] * 4
    return LampTracker(plateaus=[LAMP] * 3, plateau_days=[1, 2, 3], quarters=quarters, lit=False)


def run(tracker: LampTracker, course: Iterator[tuple[int, float]], setting: float | None) -> list[Edge]:
    return [edge for at, lux in course if (edge := tracker.add(at, lux, setting)) is not None]


def minutes_off(edges: list[Edge]) -> list[float]:
    """How far each edge is from where it was made."""
    return [(edge.time_ms - BEGAN) / MINUTE % DAY - (ON if edge.sign > 0 else OFF) for edge in edges]


@pytest.mark.parametrize("sun", [no_sun, window_sun, evening_sun])
@pytest.mark.parametrize("ramp", [0, 5, 15, 30, 60])
def test_edges_are_where_the_timer_made_them(ramp: int, sun: Sun) -> None:
    """Within two minutes and an eighth of the ramp, by the ramp's setting and by the ramp as seen; a quarter
    where sunlight goes just before the lamp does and looks like the beginning of its fall."""
    allowed = 2 + ramp / (4 if sun is evening_sun else 8)
    for setting in (float(ramp), None):
        edges = run(known(setting, ramp), frames(3, ramp, sun), setting)
        assert [edge.sign for edge in edges] == [1, -1] * 3
        assert all(abs(error) <= allowed for error in minutes_off(edges)), minutes_off(edges)


@pytest.mark.parametrize("ramp", [0, 15, 30, 60])
def test_the_ramp_is_recognised(ramp: int) -> None:
    """From nothing but the data (contract, section 3: a ramp of up to an hour is recognised)."""
    tracker = known()
    tracker.quarters.clear()
    for at, lux in frames(4, ramp):
        edge = tracker.add(at, lux, None)
        if edge is not None:
            tracker.learn_edge(edge)
    assert tracker.ramp_min(None) == pytest.approx(ramp, abs=2 + ramp / 6)
    assert tracker.ramp_min(7.0) == 7.0  # what is set counts


def test_sunlight_alone_is_no_lamp() -> None:
    edges = run(known(0.0), ((at, window_sun(n % DAY)) for n, (at, _) in enumerate(frames(2, 0))), 0.0)
    assert edges == []
    assert [edge.sign for edge in run(known(0.0), frames(2, 0, window_sun), 0.0)] == [1, -1] * 2


@pytest.mark.parametrize("length", [1, 2])
def test_a_spike_or_a_dropout_of_a_minute_is_no_edge(length: int) -> None:
    """One wild minute is left out by the median of three; two in a row are as real as any."""
    course = [(at, 0.0 if 900 <= n % DAY < 900 + length else lux) for n, (at, lux) in enumerate(frames(1, 0))]
    edges = run(known(0.0), iter(course), 0.0)
    assert [edge.sign for edge in edges] == ([1, -1] if length == 1 else [1, -1, 1, -1])


def test_an_edge_lost_in_a_gap_is_made_up_from_the_level() -> None:
    course = [(at, lux) for n, (at, lux) in enumerate(frames(1, 0)) if not ON - 30 < n < ON + 30]
    tracker = known(0.0)
    edges = run(tracker, iter(course), 0.0)
    assert [edge.sign for edge in edges] == [-1]  # the rise was not seen, the fall is
    assert tracker.lit is False
    tracker = known(0.0)
    run(tracker, (pair for pair in course if pair[0] < BEGAN + 15 * 60 * MINUTE), 0.0)
    assert tracker.lit is True


def test_level_is_the_lamps_own_and_not_the_suns() -> None:
    """A low quantile of the photoperiod: sunlight for a part of it does not raise it."""
    tracker = LampTracker()
    for n, (_, lux) in enumerate(frames(3, 0, evening_sun)):
        minute = n % DAY
        if n % 5 == 0 and ON + 30 < minute < OFF - 30:
            tracker.learn_plateau(n // DAY, lux)
        elif minute == OFF + 60:
            tracker.learn_plateau(n // DAY, None)
    assert tracker.plateau_days == [0, 1, 2]
    assert tracker.level() == pytest.approx(LAMP, rel=0.03)


def test_level_without_a_schedule() -> None:
    tracker = LampTracker()
    for n, (_, lux) in enumerate(frames(3, 15)):
        if n % 5 == 0:
            tracker.learn_blind(n // DAY, lux)
    assert tracker.level() == pytest.approx(LAMP, rel=0.03)


def test_what_counts_as_steady_and_as_one_lamps() -> None:
    """Two values on either side within a tenth; all within 12 %; two hours in all."""

    def day(lit: list[float]) -> list[float]:
        return [10.0] * 100 + lit + [10.0] * (188 - len(lit))

    assert steady_level(day([6000.0] * 28)) == 6000.0  # less two at either end: two hours
    assert steady_level(day([6000.0] * 27)) is None
    for swing, steady in ((0.09, True), (0.11, False)):
        ripple = [6000.0, 6000.0, 6000.0 * (1 - swing)] * 12
        assert (steady_level(day(ripple)) is not None) is steady
    for apart, together in ((0.11, True), (0.13, False)):
        two = [6000.0] * 17 + [10.0] + [6000.0 * (1 - apart)] * 17
        assert (steady_level(day(two)) is not None) is together
    assert steady_level(day([290.0] * 60)) is None and steady_level(day([310.0] * 60)) == 310.0


def test_an_hour_beside_the_dark_shows_the_lamp_where_the_sun_joins_it() -> None:
    """Twelve values within 12 %, out of the dark or into it within two; the dimmest of a day."""

    def day(lit: list[float], before: float = 10.0) -> list[float]:
        return [before] * 100 + lit + [before] * (188 - len(lit))

    sun = [6000.0 + 1500.0 * n for n in range(1, 9)]
    assert level_beside_dark(day([6000.0] * 12 + sun)) == 6000.0
    assert level_beside_dark(day([6000.0] * 11 + sun)) is None
    assert level_beside_dark(day(sun[::-1] + [6000.0] * 12)) == 6000.0
    assert level_beside_dark(day([6500.0] * 12 + sun * 2 + [6000.0] * 12)) == 6000.0
    for rising, seen in ((1, True), (2, False)):
        assert (level_beside_dark(day([3000.0] * rising + [6000.0] * 12 + sun)) is not None) is seen
    for before, seen in ((590.0, True), (610.0, False)):
        assert (level_beside_dark(day([6000.0] * 12 + sun, before)) is not None) is seen
    for swing, seen in ((0.11, True), (0.13, False)):
        ripple = [6000.0, 6000.0 * (1 - swing)] * 6
        assert (level_beside_dark(day(ripple + sun)) is not None) is seen


@pytest.mark.parametrize(
    ("size", "moves", "surely"), [(1.4, 0.0, True), (1.6, 0.0, False), (1.0, 0.14, True), (1.0, 0.16, False)]
)
def test_an_edge_that_is_surely_the_lamps(size: float, moves: float, surely: bool) -> None:
    """No larger than it by half, out of light that moved by no more than 15 % of it for twenty minutes."""
    tracker = LampTracker(plateaus=[LAMP])
    tracker.times = [BEGAN + n * MINUTE for n in range(40)]
    tracker.values = [100.0 + moves * LAMP * (n % 2) for n in range(40)]
    assert tracker.clear(Edge(1, BEGAN + 40 * MINUTE, 0.0, size * LAMP)) is surely


def test_darkness_teaches_no_level() -> None:
    tracker = LampTracker()
    for n in range(1000):
        tracker.learn_blind(n // 288, 30.0)
        assert tracker.add(BEGAN + n * MINUTE, 30.0, None) is None
    assert tracker.level() is None and tracker.lit is False
    for n, (_, lux) in enumerate(frames(2, 0)):
        if n % 5 == 0:
            tracker.learn_blind(n // DAY, lux)
    assert tracker.level() == pytest.approx(LAMP, rel=0.03)


def test_levels_are_kept_for_some_weeks_only() -> None:
    """With a schedule and without one: the state of a tank doesn't grow for ever."""
    tracker = LampTracker()
    for n in range(90 * 288):
        tracker.learn_blind(n // 288, lamp(n % 288 * 5, 0))
    assert len(tracker.plateaus) == len(tracker.plateau_days) == 60
    assert tracker.plateau_days[-1] == 89


times = st.integers(BEGAN - 10 * DAY * MINUTE, BEGAN + 10 * DAY * MINUTE)


@given(st.lists(st.tuples(times, st.floats(0, 200_000)), max_size=150), st.none() | st.floats(0, 60))
def test_any_course_and_a_snapshot_of_it(course: list[tuple[int, float]], setting: float | None) -> None:
    tracker = known(setting)
    for index, (at, lux) in enumerate(course):
        if index == len(course) // 2:
            tracker = msgspec.msgpack.decode(msgspec.msgpack.encode(tracker), type=LampTracker)
        edge = tracker.add(at, lux, setting)
        assert edge is None or (edge.sign in (1, -1) and edge.size > 0)
    assert len(tracker.times) <= 100
