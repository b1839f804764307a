"""Times of the day, and what the lamp's schedule says of a minute."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.numbers import PRESENCE
from rushlight.collector.settings import LightSettings, parse_time_of_day

__all__ = ["DAY_MIN", "Due", "Schedule", "clock_text", "inside", "minutes_apart", "schedule_set"]

DAY_MIN = 24 * 60

Schedule = tuple[float, float]
"""On and off, minutes after local midnight."""


def minutes_apart(one: float, other: float) -> float:
    """How much later `one` is than `other`, −720 to 720, both minutes of the day."""
    return (one - other + DAY_MIN / 2) % DAY_MIN - DAY_MIN / 2


def clock_text(minute: float) -> str:
    """HH:MM."""
    whole = round(minute) % DAY_MIN
    return f"{whole // 60:02d}:{whole % 60:02d}"


def schedule_set(light: LightSettings | None) -> Schedule | None:
    """On and off as the settings have them; None where one of the two is missing."""
    if light is None or light.on is None or light.off is None:
        return None
    return float(parse_time_of_day(light.on)), float(parse_time_of_day(light.off))


def inside(minute: float, schedule: Schedule, margin: float) -> bool:
    """Within the photoperiod, `margin` minutes from its ends."""
    on, off = schedule
    return margin < (minute - on) % DAY_MIN < (off - on) % DAY_MIN - margin


class Due(msgspec.Struct):
    """What the schedule says of this minute; all in minutes.

    Attributes
    ----------
    since_on, past_off, to_on : float
        Since it should have come on, since it should have gone out, until it should come on; modulo a day.
    length, ramp, tolerance : float
        Of the photoperiod, of the lamp's ramp, and how far off its timer may be.
    late : float
        How late the timer is known to run (negative: early).
    patience, patience_after : float
        How long past its time it is waited for, and how long past its end it may still be on; longer where
        the timer is likely to be an hour off.
    """

    since_on: float
    past_off: float
    to_on: float
    length: float
    ramp: float
    tolerance: float
    late: float
    patience: float
    patience_after: float

    @property
    def margin(self) -> float:
        """From the ends of the photoperiod: further in, the lamp is at its full level."""
        return max(self.ramp, self.tolerance) + PRESENCE.margin_min + abs(self.late)

    @property
    def lit(self) -> bool:
        """Whether this minute is in the photoperiod."""
        return self.since_on < self.length

    @property
    def over(self) -> bool:
        """Whether it should surely be dark: well after the photoperiod."""
        return not self.lit and self.since_on >= self.length + self.margin
