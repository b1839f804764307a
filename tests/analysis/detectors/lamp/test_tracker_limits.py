"""Where the lamp's tracker sees a switching, a ramp and a level: just inside each rule and just outside.

Light is given by the minute. Common practice, no source.
"""

from __future__ import annotations

import math

import pytest

from rushlight.analysis.detectors.lamp.edge import Edge
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.estimators.sensor import Sensor

MINUTE = 60_000
HOUR = 60
BEGAN = 1_772_323_200_000
LEVEL = 1000.0


def known(*lux: float, **more: object) -> LampTracker:
    """A lamp whose level is known, and its light in the last minutes."""
    tracker = LampTracker(plateaus=[LEVEL] * 3, plateau_days=[1, 2, 3])
    for name, value in more.items():
        setattr(tracker, name, value)
    tracker.times = [BEGAN + (n + 1 - len(lux)) * MINUTE for n in range(len(lux))]
    tracker.values = list(lux)
    return tracker


# -- switchings -------------------------------------------------------------------------------------


def edge(*lux: float, ramp: float = 0.0, lit: bool = False) -> Edge | None:
    return known(*lux, lit=lit)._edge(lux[-1], LEVEL, ramp)


def test_how_far_light_swings_at_a_switching() -> None:
    assert edge(0.0, 0.0, 560.0) is not None and edge(0.0, 0.0, 540.0) is None
    assert edge(LEVEL, LEVEL, 440.0, lit=True) is not None and edge(LEVEL, LEVEL, 460.0, lit=True) is None


def test_a_switching_takes_five_minutes_more_than_the_ramp() -> None:
    assert edge(0.0, *[500.0] * 13, 600.0, ramp=10) is not None
    assert edge(0.0, *[500.0] * 14, 600.0, ramp=10) is None


@pytest.mark.parametrize(("every", "half"), [(1.4, False), (1.6, True)])
def test_where_frames_are_rare_it_is_half_way_between_two(every: float, half: bool) -> None:
    found = known(0.0, 0.0, LEVEL, LEVEL, every_min=every)._edge(LEVEL, LEVEL, 20.0)
    assert found is not None
    assert (found.time_ms < BEGAN - 8 * MINUTE) is half


@pytest.mark.parametrize(("minutes", "anew"), [(14, False), (15, True)])
def test_after_which_gap_a_lamp_is_looked_at_anew(minutes: int, anew: bool) -> None:
    """After a quarter of an hour; what is kept is a minute behind."""
    tracker = LampTracker()
    for at in (0, 1, 2, 2 + minutes):
        tracker.add(BEGAN + at * MINUTE, 5.0, None)
    assert (not tracker.times) is anew
    tracker.hear(Sensor(interval_ms=40 * MINUTE), 60)
    assert tracker.every_min == 15


@pytest.mark.parametrize(("lux", "lit"), [(710, True), (690, None), (310, None), (290, False)])
def test_by_what_light_it_goes_after_a_gap(lux: float, lit: bool | None) -> None:
    tracker = known(0.0)
    tracker._gap(BEGAN, lux)
    assert tracker.lit is lit


@pytest.mark.parametrize(("lux", "lit"), [(110, False), (130, None)])
def test_a_lamp_of_which_nothing_is_known_is_out(lux: float, lit: bool | None) -> None:
    tracker = known()
    for n in range(4):
        tracker.add(BEGAN + n * MINUTE, lux, 0.0)
    assert tracker.lit is lit


@pytest.mark.parametrize(("lux", "lit"), [(145, False), (155, None)])
def test_below_which_light_no_lamp_is_on(lux: float, lit: bool | None) -> None:
    tracker = LampTracker()
    for n in range(4):
        tracker.add(BEGAN + n * MINUTE, lux, 0.0)
    assert tracker.lit is lit


# -- its ramp ---------------------------------------------------------------------------------------


def ramp(*quarters: float) -> float:
    return LampTracker(quarters=list(quarters)).ramp_min(None)


def test_two_switchings_tell_its_ramp() -> None:
    assert ramp() == ramp(5.0) == 60  # a ramp of up to an hour is expected
    assert ramp(5.0, 5.0) == 20 and ramp(1.4, 1.4) == 0 and ramp(1.6, 1.6) > 0
    assert ramp(22.0, 22.0) == 88 and ramp(24.0, 24.0) == ramp(40.0, 40.0) == 90


def test_the_last_eight_switchings_tell_it() -> None:
    tracker = LampTracker()
    for quarter, many, minutes in ((5.0, 20, 20), (10.0, 4, 30), (10.0, 1, 40)):
        for _ in range(many):
            tracker.learn_edge(Edge(1, BEGAN, quarter, LEVEL))
        assert tracker.ramp_min(None) == minutes


@pytest.mark.parametrize(("minutes", "left"), [(36 * HOUR, True), (36 * HOUR + 1, False)])
def test_without_a_switching_it_is_forgotten(minutes: int, left: bool) -> None:
    tracker = known(quarters=[5.0] * 4, last_edge_ms=BEGAN, lit=False)
    for at in range(minutes - 2, minutes + 1):
        tracker.add(BEGAN + at * MINUTE, 5.0, None)
    assert bool(tracker.quarters) is left


# -- what is seen of a span -------------------------------------------------------------------------


def test_how_much_of_a_span_must_be_seen() -> None:
    assert known(*[5.0] * 7).highest(BEGAN - 11 * MINUTE, BEGAN) == 5.0
    assert known(*[5.0] * 6).highest(BEGAN - 11 * MINUTE, BEGAN) == math.inf


def test_the_last_eighty_minutes_are_kept() -> None:
    tracker, kept = LampTracker(), []
    for n in range(300):
        tracker.add(BEGAN + n * MINUTE, 5.0, None)
        kept.append(len(tracker.times))
    assert max(kept) == 100 and min(kept[110:]) == 81


def test_of_two_frames_nobody_can_say_that_light_stands_still() -> None:
    assert not known(5.0, 5.0).steady(BEGAN - MINUTE, BEGAN, 0.1)
    assert known(5.0, 5.0, 5.0).steady(BEGAN - 2 * MINUTE, BEGAN, 0.1)


@pytest.mark.parametrize(
    ("step", "moves", "stands"), [(100, 124, True), (100, 126, False), (300, 249, True), (300, 251, False)]
)
def test_light_that_stands_still_moves_by_a_step(step: float, moves: float, stands: bool) -> None:
    """And a little; by no more than a quarter of the lamp's level, whatever the step."""
    tracker = known(500.0, 500.0 + moves, 500.0, step_lx=step)
    assert tracker.steady(BEGAN - 2 * MINUTE, BEGAN, 0.0) is stands


# -- its level --------------------------------------------------------------------------------------


def level(*days: float) -> float | None:
    return LampTracker(plateaus=list(days)).level()


def test_of_which_days_the_level_is() -> None:
    """The lowest but one of the last five, the lowest before the fourth."""
    assert level(100, 500, 600, 700, 800, 900) == 600
    assert level(500, 600, 700) == 500 and level(500, 600, 700, 800) == 600


def photoperiod(*lux: float, lit_min: float = 0.0, before: int = 3) -> list[float]:
    """What a day's middle teaches of the level."""
    tracker = LampTracker(plateaus=[LEVEL] * before, plateau_days=list(range(before)))
    for value in lux:
        tracker.learn_plateau(9, value)
    tracker.learn_plateau(9, None, lit_min)
    return tracker.plateaus[before:]


def test_sunlight_only_adds() -> None:
    assert photoperiod(*range(1001, 1041)) == [1006]  # an eighth are lower


def test_how_much_a_photoperiod_must_show() -> None:
    assert photoperiod(*[LEVEL] * 5) == [] and photoperiod(*[LEVEL] * 6) == [LEVEL]
    # the first one for three fifths of its hours, by five minutes a value
    assert photoperiod(*[LEVEL] * 11, lit_min=100, before=0) == []
    assert photoperiod(*[LEVEL] * 12, lit_min=100, before=0) == [LEVEL]


def test_how_bright_a_lamp_is() -> None:
    assert photoperiod(*[290.0] * 10) == [] and photoperiod(*[310.0] * 10) == [310.0]


def blind(*lux: float) -> float | None:
    """The level that a day teaches with no hours known, out of a light room."""
    tracker = LampTracker()
    for value in [*lux, *[140.0] * (288 - len(lux))]:
        assert tracker.level() is None
        tracker.learn_blind(1, value)
    return tracker.level()


def test_with_no_hours_two_steady_hours_of_a_day_are_the_lamps() -> None:
    """Each value with two on either side of it that are as bright, within a tenth."""
    assert blind(*[LEVEL] * 27) is None and blind(*[LEVEL] * 28) == LEVEL
    for apart, steady in ((0.095, True), (0.105, False)):
        moving = [LEVEL * (1 - apart * (n % 2)) for n in range(40)]
        assert (blind(*moving) is not None) is steady
    for apart, one in ((0.115, True), (0.125, False)):  # one lamp's light lies together
        assert (blind(*[LEVEL] * 20, *[LEVEL * (1 - apart)] * 20) is not None) is one
    assert blind(*[290.0] * 40) is None and blind(*[310.0] * 40) == 310.0


@pytest.mark.parametrize(
    ("size", "before", "lamps"), [(1490, 0, True), (1510, 0, False), (900, 145, True), (900, 155, False)]
)
def test_an_edge_that_no_cloud_makes(size: float, before: float, lamps: bool) -> None:
    """No larger than half as much again as the lamp's level, out of light that was still."""
    near = known(*[0.0] * 30, before, *[0.0] * 9, LEVEL)
    assert near.clear(Edge(1, BEGAN, 0.0, size)) is lamps


def test_sixty_days_of_its_level_are_kept() -> None:
    tracker = LampTracker()
    for day in range(100):
        tracker._learn_level(day, LEVEL, LEVEL)
    assert tracker.plateau_days == list(range(40, 100))
