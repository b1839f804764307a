"""Out of the water: a jump no water can make, to a level that no water change explains, that stays."""

from __future__ import annotations

import math

from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.analysis.detectors.probes.numbers import LEAP
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.collector.readings import PH, TEMPERATURE
from rushlight.collector.settings import TankSettings

__all__ = ["brought_back", "note"]


def note(
    name: str,
    values: list[float],
    room: float | None,
    health: SeriesHealth,
    now_ms: int,
    rate_c_per_h: float = math.inf,
    warms_to_c: float = math.inf,
    cools_to_c: float = -math.inf,
) -> None:
    """Set or take back the fault of a thermometer or a pH electrode.

    Parameters
    ----------
    values : list of float
        Frames' means, a minute apart, the newest at `now_ms`.
    room : float or None
        The room's air, °C.
    rate_c_per_h : float
        How fast the heater warms the water.
    warms_to_c, cools_to_c : float
        Up to where a heater warms it, and down to where a cooler cools it, °C: beyond, only the room brings
        new water back.
    """
    if name not in (TEMPERATURE, PH):
        return
    if health.fault in ("noisy", "loose"):
        health.jump_ms = health.settled_ms = -1  # it leaps about, and back when it is put right
        return
    count = len(values)
    taken = 0
    while taken < count:
        at_ms = now_ms - (count - 1 - taken) * MINUTE_MS
        if health.jump_ms < 0:
            taken += _follow(name, values[taken:] if taken else values, health, at_ms)
        else:
            value = values[taken]
            up = value > health.jump_from
            slow = value <= cools_to_c if up else value >= warms_to_c
            patience_ms = _patience_ms(name, up, rate_c_per_h, slow and room is None)
            _away(name, value, room, health, at_ms, patience_ms)
            taken += 1


def brought_back(settings: TankSettings) -> tuple[float, float]:
    """Up to where a heater warms the water, and down to where a cooler cools it, °C.

    Without a setpoint a heater, if there is one, holds no more than the animals bear; nobody pours in water
    that is warmer than that.
    """
    high, heater, cooler = settings.livestock.temperature_high_c, settings.heater, settings.cooler
    warms_to = heater.setpoint_c if heater else None
    cools_to = cooler.setpoint_c if cooler else high
    return high if warms_to is None else warms_to, -math.inf if cools_to is None else cools_to


def _follow(name: str, values: list[float], health: SeriesHealth, at_ms: int) -> int:
    """Where the water is, until a value leaps from it; how many were taken. `at_ms`: of the first."""
    limit = LEAP.leap_temperature_c if name == TEMPERATURE else LEAP.leap_ph
    follow_ms = LEAP.follow_temperature_ms if name == TEMPERATURE else LEAP.follow_ph_ms
    settle_ms = LEAP.settle_ms
    settled, swift, settled_ms = health.settled, health.swift, health.settled_ms
    taken = 0
    for value in values:
        taken += 1
        elapsed = at_ms - settled_ms
        away = value - swift
        if settled_ms < 0 or elapsed < 0:  # nothing known, or time has run back
            settled = swift = value
        elif not -limit <= away <= limit and elapsed < LEAP.gap_ms:
            health.jump_ms, health.jump_from, health.jump_gap = at_ms, settled, 0.0
            break
        else:
            # one follows faster than water changes, slower than a probe lifted out; the other, more slowly,
            # keeps the water's level over a rinse in buffers
            swift = value if elapsed >= follow_ms else swift + elapsed / follow_ms * away
            settled = value if elapsed >= settle_ms else settled + elapsed / settle_ms * (value - settled)
        settled_ms = at_ms
        at_ms += MINUTE_MS
    health.settled, health.swift, health.settled_ms = settled, swift, settled_ms
    return taken


def _away(
    name: str, value: float, room: float | None, health: SeriesHealth, now_ms: int, patience_ms: float
) -> None:
    """After a leap: in air, back, or at a new level."""
    waited_ms = now_ms - health.jump_ms
    back = abs(value - health.jump_from)
    if waited_ms < LEAP.air_ms:
        health.jump_to = value
        health.jump_gap = 0.0 if room is None else max(health.jump_gap, abs(health.jump_from - room))
    in_air = _in_air(value, room, health) if name == TEMPERATURE else back > LEAP.away_ph
    near = LEAP.near_temperature_c if name == TEMPERATURE else LEAP.near_ph
    if not in_air and health.fault != "out" and waited_ms > LEAP.believed_ms:
        health.home, health.home_ms = health.jump_from, now_ms
        health.jump_ms = health.settled_ms = -1
    elif health.fault == "out" and name == TEMPERATURE:
        _hangs_out(value, room, in_air, health, now_ms)
    elif back < near or _home(value, near, health, now_ms):
        _back(health)
    elif waited_ms > patience_ms and not health.fault:
        health.fault, health.since_ms = "out", now_ms
        health.swift, health.settled_ms = value, now_ms
    elif waited_ms > LEAP.new_level_ms and not health.jitter.doubtful():
        _back(health)


def _hangs_out(value: float, room: float | None, in_air: bool, health: SeriesHealth, now_ms: int) -> None:
    """A thermometer out of the water: hung back it leaps; air that warms in the day only comes by there.

    Where no probe tells of the room, air may be at any level that it has drifted to.
    """
    near = LEAP.near_temperature_c
    home = abs(value - health.jump_from) < near or _home(value, near, health, now_ms)
    leapt = abs(value - health.swift) > LEAP.returns_c
    elapsed = max(0, now_ms - health.settled_ms) if health.settled_ms >= 0 else 0
    health.swift += min(1.0, elapsed / LEAP.follow_temperature_ms) * (value - health.swift)
    health.settled_ms = now_ms
    if home and leapt:
        _back(health)
        return
    if home or (not in_air and (leapt or room is not None)):
        since_ms = now_ms - (LEAP.drifts_ms - LEAP.believed_ms if leapt else 0)
        health.water_ms = min(health.water_ms, since_ms) if 0 <= health.water_ms <= now_ms else since_ms
    elif in_air or room is not None:
        health.water_ms = -1
    drifted = health.water_ms >= 0 and now_ms - health.water_ms > LEAP.drifts_ms
    if drifted or (room is None and now_ms - health.jump_ms > LEAP.unmeasured_ms):
        _back(health)


def _back(health: SeriesHealth) -> None:
    health.jump_ms = health.settled_ms = health.water_ms = -1
    if health.fault == "out":
        health.fault = ""


def _home(value: float, near: float, health: SeriesHealth, now_ms: int) -> bool:
    """It is where it leapt from before its last level was believed."""
    return health.home_ms >= 0 and now_ms - health.home_ms < LEAP.home_ms and abs(value - health.home) < near


def _patience_ms(name: str, up: bool, rate_c_per_h: float, slow: bool) -> float:
    """How long it may be away; `slow`: nothing but the room brings new water back."""
    if name == TEMPERATURE and slow:
        return LEAP.slow_ms
    if name != TEMPERATURE or up:
        return LEAP.patience_ms  # a cooler brings warmer water back
    return max(LEAP.fell_temperature_ms, LEAP.warms_times * LEAP.warmed_c / rate_c_per_h * HOUR_MS)


def _in_air(value: float, room: float | None, health: SeriesHealth) -> bool:
    """It took on the room's temperature and stays with it; cold water poured in is warmed again."""
    back = abs(value - health.jump_from)
    warmed = abs(health.jump_to - health.jump_from) - back > LEAP.warmed_c
    if room is None:
        far = back > LEAP.far_c or (back > LEAP.far_still_c and not warmed)
        return value < LEAP.air_low_c or value > LEAP.air_high_c or far
    # the room may have come to the water's level since
    gap, off = max(health.jump_gap, abs(health.jump_from - room)), abs(value - room)
    at_room = off < LEAP.at_room_c or (off < LEAP.at_room_share * gap and not warmed)
    return gap > LEAP.room_gap_c and at_room
