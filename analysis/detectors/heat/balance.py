"""The balance of heat at one moment, reckoned once for all that judge the water's temperature."""

from __future__ import annotations

import msgspec

__all__ = ["HeatNow"]


class HeatNow(msgspec.Struct):
    """What is known of the water's heat; °C, °C/h and W, None where it can't be said.

    Attributes
    ----------
    now : int
        ms UTC.
    temperature, room : float, float or None
    slope, quarter, hour : float or None
        How fast the water changes, over the last half-hour, quarter of an hour and hour.
    floor, ceiling : float or None
        Between what the heater holds this probe's reading; None where it isn't known.
    power : float or None
        What the heater draws; None where no plug meters it.
    full : float
        What it draws in full, 0 where neither the settings nor the meter have told.
    rate : float
        How fast the heater warms this much water.
    learnt : bool
        Whether the tank's time constant is its own, no first guess.
    unheated, explained : float or None
        The slope by the room alone, and by room and lamp.
    """

    now: int
    temperature: float
    room: float | None
    slope: float | None
    quarter: float | None
    hour: float | None
    floor: float | None
    ceiling: float | None
    power: float | None
    full: float
    rate: float
    usual_fall: float | None
    usual_rise: float | None
    learnt: bool
    unheated: float | None
    explained: float | None

    @property
    def drawing(self) -> bool | None:
        """Whether the heater draws its power, a weak one too; None where no meter says so."""
        if self.power is None:
            return None
        return self.power > 0.4 * self.full if self.full >= 5 else False
