"""The balance of heat at one moment, computed once for all that judge the water's temperature."""

from __future__ import annotations

from typing import Protocol

import msgspec

from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory, heater_range
from rushlight.analysis.detectors.heat.numbers import HEAT
from rushlight.analysis.detectors.moment import KeptHeat, Moment, Tank
from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.thermal_model import ThermalModel
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = ["HeatNow", "explained_slope", "heat_now", "kept_heat", "learn_model"]


class HeatNow(msgspec.Struct):
    """What is known of the water's heat; °C, °C/h and W, None where it can't be said.

    Attributes
    ----------
    now : int
        ms UTC.
    temperature, room : float, float or None
    slope : float or None
        How fast the water changes, over the last half-hour; over a quarter of an hour until there is more.
    course : Window
        What it did in the last hours.
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
    draws_from : float or None
        What it draws more than when it heats; None: a share of `full`.
    tau_h : float or None
        The tank's time constant.
    gives : float or None
        How fast the heater was seen to warm the water, the least: one of two, maybe; None where it was not.
    """

    now: int
    temperature: float
    room: float | None
    slope: float | None
    course: Window
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
    draws_from: float | None = None
    tau_h: float | None = None
    gives: float | None = None

    @property
    def quarter(self) -> float | None:
        """How fast the water changes, over the last quarter of an hour."""
        return self.course.slope_per_hour(HEAT.short_slope_min * MINUTE_MS)

    @property
    def hour(self) -> float | None:
        """The same over the last hour."""
        return self.course.slope_per_hour(HEAT.long_slope_min * MINUTE_MS)

    @property
    def drawing(self) -> bool | None:
        """Whether the heater draws its power, a weak one too; None where no meter says so."""
        if self.power is None:
            return None
        if self.full < HEAT.metered_w:
            return False
        least = self.draws_from
        return self.power > (HEAT.draws_share * self.full if least is None else least)


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
    shown = moment.lamp.on is not None and moment.lamp.level_lx is not None
    # a lamp that has not shown itself yet: its hours are known
    if moment.lamp.on or (moment.lamp.should_be_on and not shown):
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


class _Known(Protocol):
    """What the heat family has learnt and seen so far."""

    model: ThermalModel
    window: Window
    extremes: DailyExtremes
    heater: HeaterMemory
    cycle: HeaterCycle


def kept_heat(tank: Tank, known: _Known) -> KeptHeat:
    """What the heater holds, the usual cooling and the slope, worked out anew and kept.

    They change with what is learnt every five minutes, with the heater's power, and with a hand in the tank.
    """
    floor, ceiling = heater_range(tank, known.heater, known.extremes.highs)
    slope = known.window.slope_per_hour(HEAT.slope_min * MINUTE_MS)
    kept = tank.kept_heat = KeptHeat(known, floor, ceiling, known.model.usual_fall(), slope)
    return kept


def learn_model(known: _Known, moment: Moment, temperature: float, room: float | None) -> None:
    """A five-minute value was added to the window: no alarm, no disturbance; °C of water and room.

    Water may fall with a heater at work in it: one that is too weak for a cold night, or one of two. So, of a
    heater whose cycle is known, falls count only when it was seen to let go, and each for as long as another.
    """
    window, lit = known.window, moment.lamp.on is True
    slope = window.slope_per_hour(HEAT.slope_min * MINUTE_MS)
    if slope is None:
        slope = window.slope_per_hour(HEAT.short_slope_min * MINUTE_MS)
    if slope is None:
        return
    if slope > 0 or not (known.heater.metered or known.cycle.heat is not None):
        comes_on = known.heater.holds_from(None)
        if slope < 0 and comes_on is not None and temperature < comes_on:
            return  # it is on, and can't hold the water
        if not lit:
            known.model.learn(slope, temperature, room)
    elif _seen_off(known, moment.frame.start_ms):
        known.model.learn(slope, temperature, room, lit)


def _seen_off(known: _Known, now: int) -> bool:
    """Whether the heater was seen to be off over the slope that is learnt."""
    if known.heater.metered:
        return known.heater.off_min(now) >= HEAT.slope_min
    since_ms = now - known.cycle.let_go_ms if known.cycle.let_go_ms >= 0 else 0
    return HEAT.slope_min * MINUTE_MS <= since_ms <= HEAT.let_go_min * MINUTE_MS


def heat_now(
    tank: Tank,
    now: int,
    temperature: float,
    room: float | None,
    explained: float | None,
    kept: KeptHeat,
    known: _Known,
) -> HeatNow:
    """The balance at `now` (ms UTC); water and room in °C, the slope that is explained in °C/h."""
    window, model, heater = known.window, known.model, known.heater
    slope = kept.slope
    if slope is None:
        slope = window.slope_per_hour(HEAT.short_slope_min * MINUTE_MS)
    unheated = None
    if room is not None:
        unheated = model.passive_slope(temperature, room, tank.settings.volume_litres)
    full = heater.full(tank)
    return HeatNow(
        now=now,
        temperature=temperature,
        room=room,
        slope=slope,
        course=window,
        floor=kept.floor,
        ceiling=kept.ceiling,
        power=heater.power(now),
        full=full,
        rate=tank.heating_rate_c_per_h,
        usual_fall=kept.cooling_rate,
        usual_rise=model.usual_rise(),
        learnt=model.learnt,
        unheated=unheated,
        explained=explained,
        draws_from=heater.draws_from(full) if heater.metered else None,
        tau_h=model.time_constant_h(tank.settings.volume_litres),
        gives=min(known.cycle.heats, default=None),
    )
