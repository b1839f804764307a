"""How long and how far a probe's readings may stray before they are doubted, in bounds a keeper would give.

Common practice, no source. Each number that is a third less or half as much again falls out of its bounds.
"""

from __future__ import annotations

import math

import pytest

from tests.analysis.detectors.test_probes import DAY, HOUR, Bench, Course, jitter, thermometer


def first(bench: Bench, since: int) -> float:
    """Minutes from then until a fault was told of."""
    return bench.told[0][0] - since if bench.told else math.inf


def gone(_: int) -> None:
    """A reading that failed."""


def test_a_probe_without_a_value_is_dead_after_a_third_of_an_hour() -> None:
    bench = Bench().run(HOUR, ph=jitter(7.0, 0.01)).run(2 * HOUR, ph=gone)
    assert 15 <= first(bench, HOUR) <= 26
    assert 3 <= min(bench.doubted["ph"]) - HOUR <= 4
    again = bench.minute
    bench.run(12, ph=jitter(7.0, 0.01))
    assert not bench.findings
    assert 8 <= sum(minute >= again for minute in bench.doubted["ph"]) <= 11


@pytest.mark.parametrize(("quantity", "least", "most"), [("ph", 16, 26), ("heater_power", 45, 75)])
def test_a_probe_that_sends_nothing_while_others_do(quantity: str, least: int, most: int) -> None:
    value = {"ph": 7.0, "heater_power": 50.0}[quantity]
    bench = Bench().run(HOUR, room_temperature=jitter(21, 0.1), **{quantity: jitter(value, 0.01)})
    bench.run(2 * HOUR, room_temperature=jitter(21, 0.1, seed=2))
    assert least <= first(bench, HOUR) <= most


STARTS = [("temperature", 360), ("ph", 240), ("light", 180), ("room_temperature", 1440)]
FLOORS = [("temperature", 150), ("ph", 90), ("light", 60), ("room_temperature", 720)]
LEVELS = {"temperature": 25.06, "ph": 7.03, "light": 5000.0, "room_temperature": 21.06}  # no coarse steps


@pytest.mark.parametrize(("quantity", "minutes"), STARTS)
def test_a_new_probe_that_stands_still(quantity: str, minutes: int) -> None:
    bench = Bench().run(30 * HOUR, **{quantity: lambda at: LEVELS[quantity]})
    assert 0.8 * minutes <= first(bench, 0) <= 1.2 * minutes


def stirring(quantity: str, still: int) -> Course:
    """Never longer at one value than that."""
    step = 1 if quantity == "light" else 0.01
    return lambda at: LEVELS[quantity] + step * (at // still % 2)


@pytest.mark.parametrize(("quantity", "minutes"), FLOORS)
def test_a_probe_that_always_moves_stands_still(quantity: str, minutes: int) -> None:
    bench = Bench().run(3 * DAY, **{quantity: stirring(quantity, 7)})
    assert not bench.told
    bench.run(20 * HOUR, **{quantity: lambda at: LEVELS[quantity] + 0.02})
    assert 0.8 * minutes <= first(bench, 3 * DAY) <= 1.2 * minutes


@pytest.mark.parametrize(("still", "minutes"), [(120, 430), (280, 1100)])
def test_a_probe_that_often_stands_still(still: int, minutes: int) -> None:
    """Twenty rests a day, once in 1000 days, and one standard error of what four days show (Gumbel 1958):
    (ln 20 + ln 1000 + 2.9) / (ln 20 + γ) is 3.6 times its longest; 3.9 times
    where the rest of the day has room for fewer.
    """
    bench = Bench()
    for day in range(4):
        bench.run(still, ph=lambda at, day=day: 7.0 + day / 10).run(DAY - still, ph=stirring("ph", 3))  # type: ignore[misc]
        bench.told.clear()
    bench.run(30 * HOUR, ph=lambda at: 7.77)
    assert 0.85 * minutes <= first(bench, 4 * DAY) <= 1.15 * minutes


@pytest.mark.parametrize(("lux", "fault"), [(120.0, False), (200.0, True)])
def test_the_dark_is_always_still(lux: float, fault: bool) -> None:
    assert bool(Bench().run(6 * HOUR, light=lambda at: lux).told) is fault


@pytest.mark.parametrize(("leap", "fault"), [(-1.6, False), (-2.6, True), (2.6, True), (-0.6, False)])
def test_how_far_a_thermometer_leaps_out_of_the_water(leap: float, fault: bool) -> None:
    """Into air of that much more or less, where the room is measured."""
    room = thermometer(25.0 + leap, seed=9)
    bench = Bench().run(HOUR, temperature=thermometer(25.0), room_temperature=room)
    bench.run(4 * HOUR, temperature=thermometer(25.0 + leap, seed=3), room_temperature=room)
    assert bool(bench.told) is fault


@pytest.mark.parametrize(("to", "fault"), [(7.6, False), (8.2, True), (5.8, True)])
def test_how_far_an_electrode_leaps_out_of_the_water(to: float, fault: bool) -> None:
    bench = Bench().run(2 * HOUR, ph=jitter(7.0, 0.01)).run(2 * HOUR, ph=jitter(to, 0.01, seed=2))
    assert bool(bench.told) is fault
    if fault:
        assert 36 <= first(bench, 2 * HOUR) <= 56
        assert bench.run(5, ph=jitter(7.0, 0.01)).findings == []


def test_a_leap_that_stays_for_a_day_is_the_new_truth() -> None:
    bench = Bench().run(2 * HOUR, ph=jitter(7.0, 0.01)).run(20 * HOUR, ph=jitter(8.2, 0.01, seed=2))
    assert bench.findings
    bench.run(8 * HOUR, ph=jitter(8.2, 0.01, seed=3))
    assert not bench.findings


@pytest.mark.parametrize(("minutes", "fault"), [(35, False), (75, True)])
def test_how_long_an_electrode_may_jitter(minutes: int, fault: bool) -> None:
    """Two half-hours on end, two thirds of each."""
    bench = Bench().run(DAY, ph=jitter(7.0, 0.02)).run(minutes, ph=jitter(7.0, 0.2, seed=2))
    bench.run(2 * HOUR, ph=jitter(7.0, 0.02, seed=3))
    assert bool(bench.told) is fault


@pytest.mark.parametrize(("sigma", "fault"), [(0.02, False), (0.028, False), (0.08, True)])
def test_how_much_an_electrode_may_jitter(sigma: float, fault: bool) -> None:
    """Four times its usual is too much, two fifths more is not."""
    bench = Bench().run(DAY, ph=jitter(7.0, 0.02, 4)).run(4 * HOUR, ph=jitter(7.0, sigma, 4, seed=2))
    assert bool(bench.told) is fault


@pytest.mark.parametrize(("every", "fault"), [(14, False), (7, True)])
def test_how_many_readings_may_fail(every: int, fault: bool) -> None:
    """A tenth of them."""
    course = jitter(7.0, 0.01)
    bench = Bench().run(3 * HOUR, ph=course)
    bench.run(6 * HOUR, ph=lambda at: None if at % every == 3 else course(at))
    assert bool(bench.told) is fault
