"""Gas that rises for hours outside this tank's own days: slow, and to be told before the limit.

A tank's days differ by their level, after fresh water or as plants grow, and hardly by their course: what pH
does within two hours it does each day, to a hundredth or two. So a departure that grows for two hours is
seen long before the level is anything unusual. What it leads to follows from the supply as for a surge
(`surge`): CO2 goes to m times the usual peak, at the tank's own loss.
"""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.duty import controlled
from rushlight.analysis.detectors.gas.numbers import OVERDOSE
from rushlight.analysis.detectors.gas.overdose_words import RISES_ON, RUNS_WHEN_NEVER
from rushlight.analysis.detectors.gas.own_course_numbers import COURSE
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.detectors.gas.valve_open_numbers import VALVE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.physics.carbon_dioxide import Gas, probability_over

__all__ = ["OwnCourse"]

_NO_GAS = frozenset({"light-missing", "power-interrupted", "stray-current-suspected", "probe-fault"})
"""While these are active, pH departs by them."""


class OwnCourse(msgspec.Struct):
    """State.

    Attributes
    ----------
    quiet_ms : int
        Until when somebody was at the tank, or something stepped (ms UTC).
    told : bool
        Whether it was told at the last look.
    departs : bool
        Whether pH may have departed within hours from the usual day by more than days do.
    """

    quiet_ms: int = -1
    told: bool = False
    departs: bool = True

    def says(self, tank: Tank, moment: Moment, curve: PhCurve, gas: Gas) -> str:
        """Every five minutes that are judged: in words how gas rises outside this tank's own days, or ""."""
        told, usual_low = self.told and "co2-overdose" in moment.active, curve.usual_low
        self.told, self.departs = False, True
        if usual_low is None or usual_low - curve.ph < OVERDOSE.below_ph:
            return ""  # most of the time
        departs = self._departs(moment, curve)
        self.departs = departs is not False
        if usual_low - (curve.ph + curve.creep) < COURSE.below_ph:
            return ""
        if tank.settings.water.active_soil or controlled(tank) or not _NO_GAS.isdisjoint(moment.active):
            return ""
        if not (told or departs):
            return ""
        words, fall, limit = "", _fall(curve), tank.settings.livestock.co2_limit_mg_l
        least = COURSE.probability * (COURSE.held_share if told else 1.0)
        if (told or fall > COURSE.falls_ph_per_h) and _ahead(curve, fall, gas, limit) > least:
            words = RISES_ON
        elif _out_of_hours(tank, moment, curve) and gas.high >= VALVE.least_share * limit:
            words = RUNS_WHEN_NEVER
        self.told = bool(words)
        return words

    def _departs(self, moment: Moment, curve: PhCurve) -> bool | None:
        """Whether it departs from the usual day by more than days do, over either span; None: not known."""
        if curve.profile.at(moment.minute, COURSE.least_days) is None:
            return None
        quiet_ms, sensor, days = moment.frame.start_ms - self.quiet_ms, moment.sensor("ph"), curve.days
        noise = math.sqrt(2) * sensor.in_five_minutes(sensor.noise)  # two five-minute values are compared
        odd, known = curve.residuals, None
        for bins, spread in ((COURSE.bins, days.course), (COURSE.long_bins, days.long_course)):
            span_ms = _span_min(bins) * MINUTE_MS
            before = odd.ago(span_ms)
            if before is None or spread is None or 0 <= quiet_ms < span_ms:
                continue
            known = False
            if bins == COURSE.long_bins:
                before = max(before, 0.0)  # it may span a valve's opening: what was above came back
            error = math.hypot(max(spread, COURSE.least_spread_ph), noise)
            if odd.values[-1] - before > COURSE.errors * error:
                return True
        return known


def _span_min(bins: int) -> int:
    return bins * COURSE.bin_min - COURSE.value_min


def _out_of_hours(tank: Tank, moment: Moment, curve: PhCurve) -> bool:
    """Whether gas leaves at this time on usual days, and now comes in; where nobody gave a valve's hours."""
    co2, expected, slope = tank.settings.co2, curve.expected, curve.slope
    if co2 is None or co2.on is not None or curve.ceaseless or co2.source != "cylinder":
        return False
    before = curve.profile.at((moment.minute - _span_min(COURSE.bins)) % 1440)
    if before is None or expected is None or slope is None:
        return False
    return expected - before > COURSE.rises_ph and slope <= 0.0


def _fall(curve: PhCurve) -> float:
    """By how much pH falls an hour, over the last hour and the last two; 0 where it doesn't over both."""
    slopes = [curve.window.slope_per_hour(hours * HOUR_MS) for hours in (1, 2)]
    return max(0.0, -max(0.0 if slope is None else slope for slope in slopes))


def _ahead(curve: PhCurve, fall: float, gas: Gas, limit: float) -> float:
    """Probability that CO2 is over `limit` (mg/L) within the night, if gas goes on coming in as it does."""
    loss = curve.loss_per_h
    if loss is None:
        return 0.0
    mg_l = gas.mg_l * 10**-curve.creep
    level = (1 + math.log(10) * fall / loss) * mg_l  # m times the usual peak, whatever that is
    later = level + (mg_l - level) * math.exp(-loss * COURSE.night_h)
    return probability_over(Gas(later, math.hypot(gas.error, SURGE.forecast_log)), limit)
