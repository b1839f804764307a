"""Heater and gas that stop together, where no lamp tells."""

from __future__ import annotations

from rushlight.analysis.detectors.heat.heater_lets_go import HeaterTurns
from rushlight.analysis.detectors.heat.numbers import LETS_GO
from rushlight.analysis.detectors.lamp.numbers import TRACKER
from rushlight.analysis.detectors.moment import Moment, Tank, minutes_text
from rushlight.analysis.detectors.power.gas_stops import GasStop, GasStops
from rushlight.analysis.detectors.power.numbers import GAS_STOPS
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["cold_with_gas", "shines", "turned_with_gas"]


def shines(moment: Moment) -> bool:
    """Whether a lamp is lit: the mains is there. Less light than its own is the sun's."""
    lamp, lux = moment.lamp, moment.frame.light
    if not lamp.on:
        return False
    return lux is None or lamp.level_lx is None or lux > TRACKER.lit_share * lamp.level_lx


def turned_with_gas(turns: HeaterTurns, gas: GasStops, tank: Tank, moment: Moment) -> list[str] | None:
    """The heater let go short of its temperature, and the gas stopped with it."""
    since_ms = moment.frame.start_ms - (turns.times[-1] if turns.times else 0)
    if not turns.tops or since_ms > GAS_STOPS.after_min * MINUTE_MS:
        return None
    top = turns.top
    if top is None or (celsius := turns.tops[-1]) > top - LETS_GO.short_c:
        return None
    stop = gas.with_lamp(tank, moment, turns.times[-1])
    if stop is None or stop.probability < GAS_STOPS.named:
        return None
    return [
        f"the heater let go at {celsius:.1f} °C and not at its usual {top:.1f} °C, "
        f"{minutes_text(since_ms / 1000)} ago",
        stop.words,
    ]


def cold_with_gas(cools: str | None, gas: GasStops, tank: Tank, moment: Moment) -> list[str] | None:
    """The water cools where the heater should heat (`cools`, in words), and within the hour the gas stopped.

    When it stopped is not known, so every five minutes of that hour are asked.
    """
    if cools is None:
        return None
    now, step = moment.frame.start_ms, GAS_STOPS.block_min
    first = GAS_STOPS.lag_min + (GAS_STOPS.least_values + 1) * step
    stops: list[GasStop] = []
    for ago_min in range(first, GAS_STOPS.after_min + 1, step):
        stop = gas.with_lamp(tank, moment, now - ago_min * MINUTE_MS)
        if stop is not None:
            stops.append(stop)
    best = max(stops, key=lambda one: one.probability, default=None)
    if best is None or best.probability < GAS_STOPS.named:
        return None
    return [cools, best.words]
