"""Times of the day, the lamp's hours in a week, and what they say of a minute."""

from __future__ import annotations

import calendar
import functools
from collections.abc import Sequence
from typing import NamedTuple

import msgspec

from rushlight.analysis.detectors.lamp.numbers import PRESENCE
from rushlight.collector.settings import LightSettings, parse_time_of_day

__all__ = [
    "DAY_MIN",
    "Due",
    "Hours",
    "Period",
    "Schedule",
    "clock_text",
    "flat",
    "hours_text",
    "is_weekend",
    "minutes_apart",
    "nearest_period",
    "pairs",
    "period_at",
    "schedule_of",
    "schedule_set",
    "week_text",
]

DAY_MIN = 24 * 60
_WEEK_D = len(calendar.day_name)

Hours = tuple[tuple[float, float], ...]
"""On and off of each period of a day, minutes after local midnight; off before on is the next day's."""

Schedule = tuple[Hours, Hours]
"""From Monday to Friday, and on Saturday and Sunday. A period belongs to the day on which it begins."""


class Period(NamedTuple):
    """On and off in minutes after a day's midnight; it may have begun on another day.

    `day`: on which, counted from that one; `last`: whether it is the last that begins on it; `pause`: minutes
    that it should be dark before.
    """

    on: float
    off: float
    day: int
    last: bool
    pause: float

    @property
    def length(self) -> float:
        """Minutes."""
        return self.off - self.on

    def inside(self, minute: float, margin: float) -> bool:
        """Whether that minute of the day is in it, `margin` minutes from its ends."""
        return self.on + margin < minute < self.off - margin


def minutes_apart(one: float, other: float) -> float:
    """How much later `one` is than `other`, −720 to 720, both minutes of the day."""
    return (one - other + DAY_MIN / 2) % DAY_MIN - DAY_MIN / 2


def clock_text(minute: float) -> str:
    """HH:MM."""
    whole = round(minute) % DAY_MIN
    return f"{whole // 60:02d}:{whole % 60:02d}"


def hours_text(hours: Sequence[tuple[float, float]]) -> str:
    """As people say it: 10:00 to 13:30 and 16:00 to 20:30."""
    return " and ".join(f"{clock_text(on)} to {clock_text(off)}" for on, off in hours)


@functools.lru_cache  # asked each minute
def week_text(schedule: Schedule) -> str:
    """Of working days and of weekends."""
    return "/".join(map(hours_text, schedule))


def pairs(flat: Sequence[float]) -> Hours:
    """Periods of a day out of on, off, on, off …"""
    return tuple(zip(flat[::2], flat[1::2], strict=True))


@functools.lru_cache  # asked each minute
def flat(schedule: Schedule) -> tuple[float, ...]:
    """On, off, on, off … of working days and of weekends."""
    return tuple(minute for day in schedule for period in day for minute in period)


def is_weekend(day: int) -> bool:
    """Whether that local day, counted from 1970, is a Saturday or Sunday."""
    return (day + calendar.THURSDAY) % _WEEK_D >= calendar.SATURDAY  # 1 January 1970 was a Thursday


def schedule_of(hours: Hours, light: LightSettings | None) -> Schedule:
    """A week of those hours, with the weekend's of the settings where they have one."""
    weekend = light.weekend if light is not None else None
    return hours, hours if weekend is None else _read(tuple((on, off) for on, off in weekend))


def schedule_set(light: LightSettings | None) -> Schedule | None:
    """The hours as the settings have them; None where they have none."""
    if light is None:
        return None
    if light.periods is not None:
        return schedule_of(_read(tuple((on, off) for on, off in light.periods)), light)
    if light.on is None or light.off is None:
        return None
    return schedule_of(_read(((light.on, light.off),)), light)


@functools.lru_cache  # asked each minute
def _read(periods: tuple[tuple[str, str], ...]) -> Hours:
    return tuple(sorted((float(parse_time_of_day(on)), float(parse_time_of_day(off))) for on, off in periods))


def period_at(schedule: Schedule, day: int, minute: float) -> tuple[Period, float]:
    """The period which that minute of that local day is in, else the last before it; when the next begins."""
    begun = None
    for period in _about(schedule, day % _WEEK_D):
        if period.on > minute and begun is not None:
            return begun, period.on
        begun = period
    raise ValueError("a schedule without periods")


def nearest_period(schedule: Schedule, day: int, minute: float, sign: int) -> Period:
    """The period whose on (`sign` +1) or off (−1) is nearest to that minute of that local day."""
    about = _about(schedule, day % _WEEK_D)
    return min(about, key=lambda period: abs(minute - (period.on if sign > 0 else period.off)))


@functools.lru_cache  # asked each minute
def _about(schedule: Schedule, weekday: int) -> tuple[Period, ...]:
    """The periods of the day before, of the day and of the day after, by when they begin."""
    found: list[Period] = []
    off = None
    for day in range(-2, 2):
        hours = schedule[is_weekend(weekday + day)]
        for number, (on, out) in enumerate(hours, 1):
            begin = day * DAY_MIN + on
            pause = DAY_MIN if off is None else begin - off
            off = begin + (out - on) % DAY_MIN
            found.append(Period(begin, off, day, number == len(hours), pause))
    return tuple(period for period in found if period.day >= -1)


class Due(msgspec.Struct):
    """What the schedule says of this minute; all in minutes.

    Attributes
    ----------
    since_on, past_off, to_on : float
        Since the last period began, since its end (negative before that), until the next one begins.
    length, ramp, tolerance : float
        Of the period, of the lamp's ramp, and how far off its timer may be.
    pause : float
        How long it should have been dark before the period.
    late : float
        How late the timer is known to run (negative: early).
    patience, patience_after : float
        How long past its time it is waited for, and how long past its end it may still be on; longer where
        the timer is likely to be an hour off.
    dark_share : float
        Less light than this share of the lamp's level is no lamp, dimmed or not: more where a night light is
        meant.
    """

    since_on: float
    past_off: float
    to_on: float
    length: float
    ramp: float
    tolerance: float
    pause: float
    late: float
    patience: float
    patience_after: float
    dark_share: float

    @property
    def margin(self) -> float:
        """From the ends of the period: further in, the lamp is at its full level."""
        return max(self.ramp, self.tolerance) + PRESENCE.margin_min + abs(self.late)

    @property
    def lit(self) -> bool:
        """Whether this minute is in the period."""
        return self.past_off < 0

    @property
    def over(self) -> bool:
        """Whether it should surely be dark: well after the period."""
        return self.past_off >= self.margin
