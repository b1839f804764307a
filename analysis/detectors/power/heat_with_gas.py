"""Heater and gas that stop together, where no lamp tells."""

from __future__ import annotations

from rushlight.analysis.detectors.heat.heater_lets_go import HeaterTurns
from rushlight.analysis.detectors.heat.numbers import LETS_GO
from rushlight.analysis.detectors.lamp.numbers import TRACKER
from rushlight.analysis.detectors.moment import Moment, Tank, minutes_text
from rushlight.analysis.detectors.power.gas_stops import GasStop, GasStops
from rushlight.analysis.detectors.power.numbers import GAS_STOPS, MAINS
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS

__all__ = ["cold_with_gas", "likeliest", "shines", "turned_with_gas", "with_a_turn"]


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

    When it stopped is not known, so every five minutes of that hour are asked. Cold water poured in raises
    pH, too: water that cools faster than it can by itself says nothing, nor does pH that stood still.
    """
    slope, usual = moment.heat.slope, moment.heat.cooling_rate
    if cools is None or slope is None or usual is None or slope < MAINS.gap_scale * usual:
        return None
    now = moment.frame.start_ms
    stop = likeliest(gas, tank, moment, now - GAS_STOPS.after_min * MINUTE_MS, now)
    if stop is None or stop.before > -GAS_STOPS.gains_ph_per_h or stop.probability < GAS_STOPS.named:
        return None
    return [cools, stop.words]


def likeliest(gas: GasStops, tank: Tank, moment: Moment, first_ms: int, last_ms: int) -> GasStop | None:
    """The stop that is likeliest the mains, of those every five minutes up to `last_ms` (ms UTC).

    None from before `first_ms`, nor too lately to be seen yet.
    """
    now, step_ms = moment.frame.start_ms, GAS_STOPS.block_min * MINUTE_MS
    newest_ms = now - GAS_STOPS.lag_min * MINUTE_MS - (GAS_STOPS.least_values + 1) * step_ms
    stops = (
        gas.with_lamp(tank, moment, at_ms) for at_ms in range(min(last_ms, newest_ms), first_ms - 1, -step_ms)
    )
    seen = [stop for stop in stops if stop is not None]
    return max(seen, key=lambda one: one.probability, default=None)


def with_a_turn(stop: GasStop, turns: HeaterTurns, usual: float | None, lamp_ms: int) -> GasStop:
    """The same stop, likelier the mains where the heater let go with the lamp, too.

    A heater that lets go every so often does it in the lamp's own minutes by chance, and that is how often.
    """
    reach_ms = int(LETS_GO.together_min * MINUTE_MS)
    if usual is None or len(turns.times) < LETS_GO.turns:
        return stop
    turn = turns.between(lamp_ms - 2 * reach_ms, lamp_ms + 2 * reach_ms, usual)
    if turn is None or abs(turn.time_ms - lamp_ms) > reach_ms:
        return stop
    lamp = max(0.0, median(turns.lamp_drops)) if turns.lamp_drops else LETS_GO.lamp_c_per_h
    if turn.before - turn.after < LETS_GO.change_c_per_h + lamp:
        return stop
    apart_ms = (turns.times[-1] - turns.times[0]) / (len(turns.times) - 1)
    chance = min(1.0, 2 * reach_ms / apart_ms)
    mains = stop.probability / (stop.probability + (1 - stop.probability) * chance)
    return stop._replace(probability=mains, turned=True)
