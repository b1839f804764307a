"""What will be by the return: heater and cooler in the worst room, a power cut, lamp timer, hardness,
level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

__all__ = [
    "Point",
    "cooler_point",
    "cut_point",
    "heater_point",
    "lamp_point",
    "line_per_day",
    "room_point",
    "water_points",
]

FINE, LOOK, STAY = "fine", "look", "don't leave"
_CUT_H = 6.0
_FAN_C = 4.0  # a fan cools water so far below its room at best, from memory
_MARGIN_C = 1.0  # a heater that just holds has no reserve: common practice, no source
_LEVEL_LOOK = 0.10  # of the water: heater or filter may run dry; common practice, no source
_USUAL = "(by a usual tank; this one's time constant is not learnt yet)"
EVAPORATES = 0.01
"""Of the water a day, open top: common practice, no source."""


class Point(NamedTuple):
    """One line: what it is about, "fine", "look" or "don't leave", and the number behind it."""

    title: str
    answer: str
    words: str


def line_per_day(rows: Sequence[tuple[float, float]]) -> float | None:
    """Slope a day by least squares of (day, value); None for fewer than three or all on one day."""
    if len(rows) < 3:
        return None
    mid_x, mid_y = (sum(one[i] for one in rows) / len(rows) for i in (0, 1))
    spread = sum((x - mid_x) ** 2 for x, _ in rows)
    return None if spread <= 0 else sum((x - mid_x) * (y - mid_y) for x, y in rows) / spread


def heater_point(
    watts: float | None,
    setpoint_c: float | None,
    room_c: float | None,
    tau_h: float,
    j_per_k: float,
    own: bool,
    heats_c_per_h: float | None = None,
) -> Point | None:
    """Can it hold the setpoint in the coldest room?

    A tank that goes towards its room with the time constant tau loses C/tau watts for each °C; the heater
    lifts it so many degrees as it can feed. `own`: tau was learnt from the tank. `heats_c_per_h`: what the
    heater was seen to do, where nobody gave its watts.
    """
    if setpoint_c is None:
        return None
    if watts is None and heats_c_per_h is not None:
        watts = round(heats_c_per_h * j_per_k / 3600)
    if watts is None or room_c is None:
        missing = "heater.watts" if watts is None else "the coldest room (--room-low)"
        return Point("heater", LOOK, f"can't be said without {missing}")
    loss = j_per_k / (tau_h * 3600)
    reach = room_c + watts / loss
    said = (
        f"{watts:g} W lift it {watts / loss:.1f} °C above its room: {reach:.1f} °C at {room_c:.1f} "
        f"°C in the room, "
        f"setpoint {setpoint_c:g} °C"
    )
    if not own:
        said += f" {_USUAL}"
    if reach < setpoint_c:
        return Point("heater", STAY, said)
    return Point("heater", FINE if own and reach >= setpoint_c + _MARGIN_C else LOOK, said)


def cooler_point(
    room_c: float | None,
    setpoint_c: float | None,
    high_c: float,
    tau_h: float,
    own: bool,
    slows_c_per_h: float | None,
    copes_c: float | None,
) -> Point:
    """Can the cooler hold the water in the warmest room?

    At work it pulls the water down by so many °C an hour, against the room that warms it by the difference
    over the time constant: they balance at room - pull · time constant.

    Parameters
    ----------
    own : bool
        The time constant is the tank's own.
    slows_c_per_h : float or None
        What the cooler was seen to do.
    copes_c : float or None
        The warmest room in which it was seen to turn the water.
    """
    if room_c is None:
        return Point("cooler", LOOK, "the warmest room is not known: --room-high")
    goal = high_c if setpoint_c is None else min(setpoint_c, high_c)
    if copes_c is not None and room_c <= copes_c:
        said = f"{room_c:.1f} °C at most, and it has turned the water in a room of {copes_c:.1f} °C"
        return Point("cooler", FINE, said)
    if slows_c_per_h is None:
        said = f"{room_c:.1f} °C at most, and what the cooler can do is not learnt yet (it has hardly run)"
        return Point("cooler", STAY if room_c - _FAN_C > high_c else LOOK, said)
    reach = room_c - slows_c_per_h * tau_h
    said = (
        f"it pulls by {slows_c_per_h:.1f} °C an hour: down to {reach:.1f} °C in a room of {room_c:.1f} °C, "
        f"and should hold {goal:g} °C"
    )
    if not own:
        said += f" {_USUAL}"
    if reach > high_c:
        return Point("cooler", STAY, said)
    return Point("cooler", FINE if own and reach <= goal - _MARGIN_C else LOOK, said)


def room_point(room_c: float | None, high_c: float) -> Point:
    """The warmest room against what the animals bear, where nothing cools."""
    if room_c is None:
        return Point("warm room", LOOK, "the warmest room is not known: --room-high")
    if room_c <= high_c - 2:
        return Point("warm room", FINE, f"{room_c:.1f} °C at most, the animals bear {high_c:g} °C")
    warm = room_c + 1  # lamp and pump; common practice, no source
    said = f"{room_c:.1f} °C at most: the water may reach {warm:.1f} °C, the animals bear {high_c:g} °C"
    return Point("warm room", STAY if warm > high_c else LOOK, said)


def cut_point(water_c: float | None, room_c: float | None, tau_h: float, low_c: float, own: bool) -> Point:
    """The water after six hours without power: T = room + (T0 - room) · exp(-t/tau); `own` as above."""
    if water_c is None or room_c is None:
        return Point("power cut of 6 h", LOOK, "can't be said without water and room temperature")
    after = room_c + (water_c - room_c) * math.exp(-_CUT_H / tau_h)
    said = (
        f"the water goes from {water_c:.1f} to {after:.1f} °C; the animals bear {low_c:g} °C; no "
        f"filter, no air"
    )
    if not own:
        said += f" {_USUAL}"
    return Point("power cut of 6 h", FINE if own and after >= low_c else LOOK, said)


def lamp_point(
    edges: Sequence[tuple[float, float]], late_min: float | None, tolerance: float, days: float
) -> Point:
    """`edges`: (day, minute of the day) at which the lamp came on; `late_min` as the analysis has it."""
    slope = line_per_day(edges)
    if slope is None:
        return Point("lamp timer", LOOK, "too few mornings seen to know its drift")
    now = late_min or 0.0
    then = now + slope * days
    said = f"it drifts {slope:+.1f} min a day, {then:+.0f} min by the return (tolerance {tolerance:g})"
    return Point("lamp timer", FINE if abs(then) <= tolerance else LOOK, said)


def water_points(
    kh_tests: Sequence[tuple[float, float]], kh: float | None, days: float, litres: float, a_day: float | None
) -> list[Point]:
    """Hardness by the log's tests (day, dKH), and the level by evaporation (litres a day, None: usual)."""
    points = []
    slope = line_per_day(kh_tests)
    if slope is not None and kh is not None:
        then = kh + slope * days
        said = f"KH {kh:.1f} changes by {slope:+.2f} a day: {max(then, 0):.1f} by the return"
        points.append(Point("hardness", STAY if then < 1 else LOOK if then < 2 else FINE, said))
    else:
        points.append(Point("hardness", LOOK, "fewer than three KH tests in the log: its trend is not known"))
    lost = days * (litres * EVAPORATES if a_day is None else a_day)
    said = f"about {lost:.1f} L of {litres:g} L evaporate" + (
        " (1 % a day, common practice, no source; --evaporates says better)" if a_day is None else ""
    )
    points.append(Point("water level", LOOK if lost > litres * _LEVEL_LOOK else FINE, said))
    return points
