"""Whether the gas stopped as the lamp went: a valve shuts without mains, and a lamp that dies leaves it open.

In the valve's hours gas comes in faster than it leaves, and pH falls. A lamp that goes takes the plants' use
of it away, and pH falls on. Where the mains goes, the valve shuts by its spring in that minute, and the fall
ends. Both courses have their spread, so the answer is a probability.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import msgspec

from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.power.numbers import GAS_STOPS
from rushlight.analysis.detectors.valve_hours import valve_hours
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.collector.readings import PH

__all__ = ["GasStop", "GasStops", "by_a_valve", "hours_known"]


class GasStop(NamedTuple):
    """pH an hour before the lamp went and after it, and the probability that the mains went with both.

    `turned`: the heater let go with them, and that probability knows it.
    """

    before: float
    after: float
    probability: float
    turned: bool = False

    @property
    def words(self) -> str:
        """As an observation."""
        percent = math.floor(100 * self.probability)
        heater = ", the heater let go at the same time" if self.turned else ""
        return (
            f"the gas stopped with it: pH went by {self.before:+.2f} an hour before, and goes by "
            f"{self.after:+.2f} an hour since{heater}; by that it is the mains with {percent:d} % probability"
        )


class _Line(NamedTuple):
    """A straight line through values: slope an hour, sum of squared residuals, spread of times, how many."""

    slope: float
    squares: float
    spread: float
    values: int


class GasStops(msgspec.Struct):
    """The last five-minute values of pH, of a tank whose gas comes through a valve; empty for others."""

    course: Window = msgspec.field(default_factory=lambda: Window(GAS_STOPS.kept))

    def add(self, tank: Tank, moment: Moment) -> None:
        """Every five minutes. What a hand at the tank or a doubted electrode shows is no course."""
        if not by_a_valve(tank):
            return
        now, times = moment.frame.start_ms, self.course.times
        if "ph" in moment.probes.faulty or moment.heat.disturbed:
            self.course.clear()
            return
        if moment.frame.ph is None:
            return
        if times and not 0 < now - times[-1] <= GAS_STOPS.gap_min * MINUTE_MS:
            self.course.clear()
        self.course.add(now, moment.gas.ph)

    def with_lamp(self, tank: Tank, moment: Moment, lamp_ms: int) -> GasStop | None:
        """What the gas did as the lamp went at `lamp_ms` (ms UTC).

        None where that can't be seen: no gas was coming, too little of it was seen, or the valve's own hours
        end just there.
        """
        if not self.course.times or _shuts_by_clock(tank, moment, lamp_ms):
            return None
        # of the block that ends with the frame
        block_ms = GAS_STOPS.block_min * MINUTE_MS
        before_ms = lamp_ms - GAS_STOPS.before_min * MINUTE_MS
        after_ms = lamp_ms + GAS_STOPS.lag_min * MINUTE_MS + block_ms - MINUTE_MS
        before = self._line(before_ms, lamp_ms - MINUTE_MS)
        after = self._line(after_ms, lamp_ms + GAS_STOPS.after_min * MINUTE_MS)
        # pH that hardly falls any more says as much where the valve is known to be open: as much leaves
        least = GAS_STOPS.even_ph_per_h if hours_known(tank) else -GAS_STOPS.gains_ph_per_h
        if before is None or after is None or before.slope > least:
            return None
        sensor = moment.sensor(PH)
        scatter = (before.squares + after.squares) / (before.values + after.values - 2 * 2)
        variance = max(scatter, sensor.in_five_minutes(sensor.noise) ** 2)
        error = math.sqrt(variance / after.spread)
        return GasStop(before.slope, after.slope, _probability(tank, before.slope, after.slope, error))

    def likeliest(self, tank: Tank, moment: Moment, first_ms: int, last_ms: int) -> GasStop | None:
        """The stop that is likeliest the mains, of those every five minutes up to `last_ms` (ms UTC).

        None from before `first_ms`, nor too lately to be seen yet.
        """
        step_ms = GAS_STOPS.block_min * MINUTE_MS
        unseen_ms = GAS_STOPS.lag_min * MINUTE_MS + (GAS_STOPS.least_values + 1) * step_ms
        newest_ms = min(last_ms, moment.frame.start_ms - unseen_ms)
        stops = (self.with_lamp(tank, moment, at_ms) for at_ms in range(newest_ms, first_ms - 1, -step_ms))
        seen = [stop for stop in stops if stop is not None]
        return max(seen, key=lambda one: one.probability, default=None)

    def _line(self, first_ms: float, last_ms: float) -> _Line | None:
        pairs = zip(self.course.times, self.course.values, strict=True)
        points = [((at - first_ms) / HOUR_MS, value) for at, value in pairs if first_ms <= at <= last_ms]
        n = len(points)
        if n < GAS_STOPS.least_values:
            return None
        mean_x, mean_y = sum(x for x, _ in points) / n, sum(y for _, y in points) / n
        spread = sum((x - mean_x) ** 2 for x, _ in points)
        slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / spread
        squares = sum((y - mean_y - slope * (x - mean_x)) ** 2 for x, y in points)
        return _Line(slope, squares, spread, n)


def by_a_valve(tank: Tank) -> bool:
    """Whether its gas comes through a valve that nothing but the clock and the mains shut."""
    co2 = tank.settings.co2
    return co2 is not None and co2.source == "cylinder" and co2.control != "ph-controller"


def hours_known(tank: Tank) -> bool:
    """Whether it is known when that valve is open."""
    co2 = tank.settings.co2
    return co2 is not None and (co2.on is not None or co2.control == "always")


def _shuts_by_clock(tank: Tank, moment: Moment, lamp_ms: int) -> bool:
    """Whether the valve is not open all the while from before the lamp went until now, by its hours."""
    valve = valve_hours(tank.settings.co2, moment.minute)
    if valve is None:
        return False
    least = (moment.frame.start_ms - lamp_ms) / MINUTE_MS + GAS_STOPS.clock_min
    return not least <= valve.since_open <= valve.open_for - GAS_STOPS.clock_min


def _probability(tank: Tank, before: float, after: float, error: float) -> float:
    """That the mains went, given the pH an hour after the lamp did; `error` is that one's standard error."""
    ends_per_h = GAS_STOPS.ends_per_h if hours_known(tank) else GAS_STOPS.ends_unknown_per_h
    alone = ends_per_h * GAS_STOPS.before_min / 60
    # water that holds as much gas as it can has more to lose
    even = before > -GAS_STOPS.gains_ph_per_h
    rises = GAS_STOPS.even_rises_ph_per_h if even else GAS_STOPS.stopped_ph_per_h
    stopped = _density(after, rises, math.hypot(GAS_STOPS.stopped_sd, error))
    spread = max(-GAS_STOPS.goes_on_sd * before, GAS_STOPS.even_sd)
    goes_on = _density(after, GAS_STOPS.goes_on_share * min(before, 0.0), math.hypot(spread, error))
    by_mains = GAS_STOPS.prior * stopped
    by_lamp = (1 - GAS_STOPS.prior) * ((1 - alone) * goes_on + alone * stopped)
    # an air pump, a lid, a hand at the surface: anything within some reach
    by_others = GAS_STOPS.others * math.sqrt(2 * math.pi) / (2 * GAS_STOPS.others_ph_per_h)
    return by_mains / (by_mains + by_lamp + by_others)


def _density(value: float, mean: float, deviation: float) -> float:
    """Of the normal distribution, but for a factor."""
    return math.exp(-(((value - mean) / deviation) ** 2) / 2) / deviation
