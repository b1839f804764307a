"""The balance of heat at one moment, computed once for all that judge the water's temperature."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.heat.numbers import HEAT
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.analysis.estimators.thermal_model import ThermalModel

__all__ = ["HeatNow", "explained_slope"]


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
        return self.power > HEAT.draws_share * self.full if self.full >= HEAT.metered_w else False


def explained_slope(
    tank: Tank,
    moment: Moment,
    temperature: float,
    room: float | None,
    model: ThermalModel,
    usual: DailyProfile,
) -> float | None:
    """The slope in °C/h that room and lamp explain; None where it can't be said."""
    lamp = 0.0
    if moment.lamp.on:
        # while the thermostat works it hides the lamp's heat, so the usual curve is only a lower bound
        lamp = HEAT.lamp_c_per_h
        span = HEAT.lamp_span_min
        now, before = usual.at(moment.minute), usual.at((moment.minute - span) % 1440)
        if now is not None and before is not None:
            lamp = max(lamp, min(HEAT.lamp_most_c_per_h, (now - before) * (60 / span)))
    if room is not None:
        passive = model.passive_slope(temperature, room, tank.settings.volume_litres)
        if room > temperature and not model.learnt:
            passive *= (
                HEAT.guess_scale
            )  # a room that warms the water, and a time constant that is only a guess
        return passive + lamp
    fall = model.usual_fall()
    return None if fall is None else fall + lamp
