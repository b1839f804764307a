"""Where a cooler that has stopped is seen: just inside each rule and just outside.

Water and room are made up: a cooler set to 25 °C that used to turn the water there. Common
practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest

from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.cooler_memory import CoolerMemory
from rushlight.analysis.detectors.heat.cooler_stopped import CoolerStopped
from rushlight.analysis.estimators.window import Window
from tests.analysis.detectors.heat.test_heater_limits import BEGAN, HOUR, MINUTE, balance, moment, tank_of

TURN = {"turns_at_c": 25.0, "spread_c": 0.0, "bends_by_c_per_h": 1.0}


def now(minute: float) -> int:
    return BEGAN + round(minute * MINUTE)


def overdue(celsius: float, slope: float = 0.0, room: float | None = 26.0, **known: float) -> int | None:
    stopped = CoolerStopped()
    minutes = range(0, 5 * HOUR, 5)
    return next((n for n in minutes if stopped.overdue(TURN | known, now(n), celsius, slope, room)), None)


def test_how_long_it_has_not_turned_the_water() -> None:
    assert overdue(25.13) == 60 and overdue(25.11) is None and overdue(25.13, room=None) == 120
    assert overdue(25.31, spread_c=0.1) == 60 and overdue(25.29, spread_c=0.1) is None
    assert overdue(26.0, -0.09) == 60 and overdue(26.0, -0.11) is None
    copes = {"copes_with_room_c": 28.0}
    assert overdue(26.0, room=28.19, **copes) == 60 and overdue(26.0, room=28.21, **copes) is None


def taught(stopped: CoolerStopped, celsius: float, fan: bool = False, spread: float = 0.0) -> bool:
    heat = balance(300, temperature=celsius, slope=0.1)
    return stopped._taught(heat, fan, TURN | {"spread_c": spread})[0]


def test_water_that_passed_the_turn_and_did_not_slow() -> None:
    assert taught(CoolerStopped(bent=-1), 25.065) and not taught(CoolerStopped(bent=-1), 25.055)
    assert taught(CoolerStopped(bent=-1), 25.26, spread=0.1)
    assert not taught(CoolerStopped(bent=-1), 25.24, spread=0.1)


def test_a_cooler_that_was_at_work_is_given_more_time() -> None:
    for minutes, bent, fan, seen in (
        (179, 1, False, False),
        (181, 1, False, True),
        (239, 2, True, False),
        (241, 2, True, True),
    ):
        assert taught(CoolerStopped(bent=bent, over_since=now(300 - minutes)), 26.0, fan) is seen


def untaught(
    celsius: float, fan: bool = True, slope: float = 0.1, highs: tuple[float, ...] = (), **known: Any
) -> int | None:
    stopped = CoolerStopped()
    for n in range(HOUR):
        heat = balance(n, temperature=celsius, slope=slope, **known)
        if stopped._untaught(heat, fan, 25.0, list(highs), False)[0]:
            return n
    return None


@pytest.mark.parametrize(
    ("inside", "outside", "known"),
    [
        (27.21, 27.19, {}),
        (26.41, 26.39, {"fan": False}),
        (27.81, 27.79, {"slope": 0.0}),
        (25.91, 25.89, {"highs": (27.0, *[25.5] * 7)}),
        (26.41, 26.39, {"highs": (26.0, *[25.5] * 6)}),
        (26.41, 26.39, {"highs": (25.0, 26.0, 25.0, 25.0)}),
        (27.71, 27.69, {"highs": (29.0, 29.0)}),
        (25.51, 25.49, {"highs": (24.0, 24.0)}),
        (27.21, 27.19, {"highs": (24.0,)}),
        (28.71, 28.69, {"room": 30.0}),
    ],
)
def test_too_warm_by_the_set_point_alone(inside: float, outside: float, known: dict[str, Any]) -> None:
    assert untaught(inside, **known) == 20 and untaught(outside, **known) is None


def test_it_must_rise_to_be_too_warm() -> None:
    assert untaught(27.5, slope=0.035) == 20 and untaught(27.5, slope=0.025) is None
    assert untaught(27.5, hour=0.035) == 20 and untaught(27.5, hour=0.025) is None


def test_in_a_cold_room_no_cooler_is_missed() -> None:
    for room, seen in ((25.05, True), (24.95, False)):
        stopped, told = CoolerStopped(), False
        for n in range(30):
            heat = balance(n, temperature=29.0, slope=0.1, room=room)
            found = stopped.finding(tank_of(26.5), moment(now(n)), heat, CoolerMemory(), [], Window(9), -1)
            told = told or found is not None
        assert told is seen


def test_what_was_no_fault_of_the_cooler_before() -> None:
    for hours, celsius, refuted in ((71, 27.14, True), (71, 27.16, False), (73, 27.0, False)):
        stopped = CoolerStopped(refuted_c=27.0, refuted_ms=BEGAN)
        assert stopped._refuted(balance(hours * HOUR, temperature=celsius)) is refuted


def test_when_it_is_over() -> None:
    for over, known, ends in ((-0.31, False, True), (-0.29, False, False), (-0.31, True, False)):
        assert CoolerStopped()._contrary(balance(0), CoolerMemory(), over, known) is ends
    for over, hours, ends in ((-0.065, 24.1, True), (-0.065, 23.9, False), (-0.055, 24.1, False)):
        stopped = CoolerStopped()
        stopped._contrary(balance(0), CoolerMemory(), over, True)
        assert stopped._contrary(balance(hours * HOUR), CoolerMemory(), over, True) is ends


# -- whether the water slows as it comes to the turn ------------------------------------------------


def followed(celsius: float, slope: float | None = None, edge: float = -900, **state: Any) -> CoolerStopped:
    """One look, an hour after the beginning, at water that used to come there with 1 °C/h."""
    stopped, course = CoolerStopped(**state), Window(40)
    for n in range(13):
        course.add(now(5 * n), 24.0 + n / 12)
    heat: HeatNow = balance(60, temperature=celsius, slope=slope)
    stopped._follow(heat, False, CoolerMemory(), TURN, course, now(edge))
    return stopped


def test_near_its_turn_the_water_is_watched() -> None:
    assert followed(24.885).rise == pytest.approx(1.0) and followed(24.875).rise is None
    assert followed(24.86, bent=1, rise=1.0).bent == 1 and followed(24.84, bent=1, rise=1.0).bent == 0


def test_how_much_a_cooler_slows_it() -> None:
    assert followed(24.9, 0.59, rise=1.0).bent == 1 and followed(24.9, 0.61, rise=1.0).bent == 0


def test_when_it_has_passed_its_turn() -> None:
    assert followed(24.975, 1.0, rise=1.0).passed_ms >= 0 and followed(24.965, 1.0, rise=1.0).passed_ms < 0
    for minutes, bent in ((45, -1), (44, 0)):
        assert followed(25.1, 1.0, rise=1.0, passed_ms=now(60 - minutes)).bent == bent


def test_beside_the_lamps_switching_nothing_is_said() -> None:
    for minutes, bent in ((39, 0), (41, -1)):
        assert followed(25.1, 1.0, edge=-minutes, rise=1.0, passed_ms=now(0)).bent == bent


def test_the_warmer_the_room_the_less_a_fan_takes() -> None:
    """Of 5 °C between room and wet bulb: one is used up as usual, three today; a fifth is left at least."""
    memory = CoolerMemory(rooms=[26.0])
    for room, share in ((28.0, 0.5), (27.0, 0.75), (40.0, 0.2), (24.0, 1.0)):
        heat = balance(0, temperature=25.0, room=room)
        assert CoolerStopped._usual_bend(heat, True, memory, TURN) == pytest.approx(share)
