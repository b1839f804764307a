"""The hours of a gas valve, by its clock."""

from __future__ import annotations

from typing import NamedTuple

from rushlight.collector.settings import CarbonDioxideSettings, parse_time_of_day

__all__ = ["ValveHours", "valve_hours"]

_DAY_MIN = 24 * 60


class ValveHours(NamedTuple):
    """In minutes: since it opened and since it shut last, for how long it is open and shut each day."""

    since_open: float
    since_shut: float
    open_for: int
    shut_for: int

    @property
    def is_open(self) -> bool:
        """Whether it should be open now."""
        return self.since_open < self.open_for

    @property
    def opens_in(self) -> float:
        """Minutes until it opens."""
        return -self.since_open % _DAY_MIN


def valve_hours(co2: CarbonDioxideSettings | None, minute: float) -> ValveHours | None:
    """As of this minute of the local day; None where the settings give no hours."""
    if co2 is None or co2.on is None or co2.off is None:
        return None
    on, off = parse_time_of_day(co2.on), parse_time_of_day(co2.off)
    return ValveHours(
        (minute - on) % _DAY_MIN, (minute - off) % _DAY_MIN, (off - on) % _DAY_MIN, (on - off) % _DAY_MIN
    )
