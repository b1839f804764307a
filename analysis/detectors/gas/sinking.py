"""A pH that sinks on: hardness that runs out, where gas would have come to its new level.

Gas that comes in at another pace brings the water to another level, at the tank's own loss k: of the way,
exp(-k t) is left after t hours. Hardness that is used up has no such level. At one CO2 the pH goes with the
logarithm of what is left of it, so it sinks on, by day and by night, and faster and faster (carbonate
equilibrium: Stumm & Morgan, Aquatic Chemistry, from memory).

So two things are looked for: lows of the last hours that are deeper than what was left of the way; and a fall
that quickens while no gas begins to come.
"""

from __future__ import annotations

import itertools
import math

import msgspec

from rushlight.analysis.detectors.gas.acid_numbers import FAST_ACID, SINKING
from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.valve_hours import valve_hours
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS

__all__ = ["Sinking", "in_the_dark"]

_DARK = frozenset({"light-missing", "power-interrupted"})


class Sinking(msgspec.Struct):
    """The lowest pH of each of the last hours.

    Attributes
    ----------
    lowest : list of float
        By the hour, the newest last.
    hour_ms : int
        When the newest of these hours began (ms UTC), -1 for none.
    since, last : int
        When pH first was below the usual lowest, and when it was last (ms UTC); -1 for not.
    """

    lowest: list[float] = msgspec.field(default_factory=list)
    hour_ms: int = -1
    since: int = -1
    last: int = -1

    def add(self, now: int, curve: PhCurve, stepped: float = 0.0) -> None:
        """Every five minutes; `now` in ms UTC. `stepped`: what steps took off the curve, pH.

        A step comes back into the curve little by little, and that is no water that sinks.
        """
        if abs(stepped) > SINKING.stepped_ph:
            self.since = self.last = self.hour_ms = -1
            return
        ph, usual_low = curve.ph, curve.usual_low
        passed = now - self.hour_ms
        if self.hour_ms < 0 or not 0 <= passed < SINKING.gap_h * HOUR_MS:
            self.lowest, self.hour_ms, passed = [ph], now, 0
        if passed >= HOUR_MS:
            hours = passed // HOUR_MS
            self.lowest += [ph] * hours
            del self.lowest[: -SINKING.hours_kept]
            self.hour_ms += hours * HOUR_MS
        elif ph < self.lowest[-1]:
            self.lowest[-1] = ph
        if self.since >= 0 and not 0 <= now - self.last <= SINKING.over_h * HOUR_MS:
            self.since = self.last = -1
        if usual_low is not None and ph < usual_low - SINKING.below_ph:
            self.since = self.since if self.since >= 0 else now
            self.last = now

    def pace(self, tank: Tank, moment: Moment, curve: PhCurve, low: float) -> float:
        """pH an hour by which it sinks towards `low` as hardness does; 0 where it doesn't."""
        if self.since < 0 or in_the_dark(moment):
            return 0.0  # most of the time
        above = curve.ph - low
        pace = self._sinks_on(moment, curve)
        if pace > 0 and above < max(pace * SINKING.ahead_h, curve.fall * FAST_ACID.ahead_h):
            return pace
        pace = self._quickens(tank, moment, curve)
        return pace if above < pace * SINKING.part_h * SINKING.parts_ahead else 0.0

    def _sinks_on(self, moment: Moment, curve: PhCurve) -> float:
        """pH an hour since the lowest of the hours before, where gas hardly makes it sink so; else 0."""
        now, usual_low = moment.frame.start_ms, curve.usual_low
        age = (now - self.since) / HOUR_MS
        if usual_low is None or age < SINKING.age_h or not curve.creeping:
            return 0.0
        hours = self.lowest
        recent = math.ceil((now - self.hour_ms) / HOUR_MS + SINKING.recent_h)
        first = max(0, len(hours) - 1 - math.ceil(age))
        before, at = min(
            ((ph, -n) for n, ph in enumerate(hours[: len(hours) - recent]) if n >= first), default=(0.0, 0)
        )
        if before <= curve.ph:
            return 0.0
        sunk, departed = before - curve.ph, max(0.0, usual_low - before)
        if sunk > SINKING.late_times * departed:
            return 0.0  # it may be gas that has come only now
        left = math.exp(-(curve.loss_per_h or SURGE.least_loss_per_h) * (age - SINKING.recent_h))
        by_gas = departed * left / (1 - left)
        error = math.hypot(curve.scatter, moment.sensor("ph").step / math.sqrt(SURGE.regression))
        chance = math.erfc((sunk - by_gas) / error / math.sqrt(2)) / 2
        if chance >= SINKING.gas_chance:
            return 0.0
        return sunk / (len(hours) - 1 + at)

    def _quickens(self, tank: Tank, moment: Moment, curve: PhCurve) -> float:
        """pH an hour of the last part, where it falls more from part to part and than usual; else 0."""
        part, hours = SINKING.part_h, self.lowest
        span = SINKING.parts * part
        if len(hours) <= span or curve.expected is None:
            return 0.0
        if curve.expected - curve.ph < SINKING.odd_ph or not _without_opening(tank, moment, span):
            return 0.0
        back = range(SINKING.parts, -1, -1)
        falls = [before - after for before, after in itertools.pairwise(hours[-1 - n * part] for n in back)]
        if falls != sorted(falls) or falls[0] < SINKING.least_ph or sum(falls) <= SINKING.total_ph:
            return 0.0
        usual = [curve.profile.at((moment.minute - n * part * HOUR_MS / MINUTE_MS) % 1440) for n in back]
        for fall, (before, after) in zip(falls, itertools.pairwise(usual), strict=True):
            if before is None or after is None or fall - (before - after) < SINKING.least_ph:
                return 0.0  # it falls so each day
        return falls[-1] / part


def in_the_dark(moment: Moment) -> bool:
    """Whether plants have had no light when they should: they take up no gas, and pH sinks by that."""
    return not _DARK.isdisjoint(moment.active)


def _without_opening(tank: Tank, moment: Moment, hours: int) -> bool:
    """Whether no valve has opened for so long: where one opens, a fall quickens with gas, too."""
    valve = valve_hours(tank.settings.co2, moment.minute)
    return valve is None or (not valve.is_open and valve.since_shut >= hours * 60)
