"""Heater and gas that stop together, where no lamp tells."""

from __future__ import annotations

from rushlight.analysis.detectors.heat.heater_lets_go import HeaterTurns
from rushlight.analysis.detectors.heat.numbers import LETS_GO
from rushlight.analysis.detectors.moment import Moment, Tank, minutes_text
from rushlight.analysis.detectors.power.gas_stops import GasStop, GasStops
from rushlight.analysis.detectors.power.numbers import GAS_STOPS, MAINS
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["cold_with_gas", "turned_with_gas", "with_a_turn"]


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

    When it stopped is not known, so every five minutes of that hour are asked. Cold water poured in raises
    pH, too: water that cools faster than it can by itself says nothing, nor does pH that stood still.
    """
    slope, usual = moment.heat.slope, moment.heat.cooling_rate
    if cools is None or slope is None or usual is None or slope < MAINS.gap_scale * usual:
        return None
    now = moment.frame.start_ms
    stop = gas.likeliest(tank, moment, now - GAS_STOPS.after_min * MINUTE_MS, now)
    if stop is None or stop.before > -GAS_STOPS.gains_ph_per_h or stop.probability < GAS_STOPS.named:
        return None
    return [cools, stop.words]


def with_a_turn(stop: GasStop, turns: HeaterTurns, usual: float | None, lamp_ms: int) -> GasStop:
    """The same stop, likelier the mains where the heater let go with the lamp, too.

    A heater that lets go every so often does it in the lamp's own minutes by chance, and that is how often.
    """
    if usual is None or len(turns.times) < LETS_GO.turns or turns.together(lamp_ms, usual) is None:
        return stop
    chance = min(1.0, 2 * int(LETS_GO.together_min * MINUTE_MS) / turns.apart_ms)
    mains = stop.probability / (stop.probability + (1 - stop.probability) * chance)
    return stop._replace(probability=mains, turned=True)
