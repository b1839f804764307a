"""pH outside its limits, or on its way there, where CO2 does not explain it."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.gas.curve import HOUR, PhCurve
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding

__all__ = ["RangeJudge"]

LOWEST_PH, HIGHEST_PH = 5.8, 8.6  # where the settings give no limits; common practice, no source
UNUSUAL = 0.15  # past what is usual for the tank, by as much as probes creep in a month
STRANGE = 0.25  # no day of this tank has come near it; common practice, no source
USUAL_COOLING = 0.6  # °C an hour, until the tank has shown its own; common practice, no source
POURED_TIMES, POURED_MARGIN = 2.0, 0.3  # °C an hour
OWN_SWING = 0.2  # so far past a limit a tank may have its usual day; common practice, no source


class RangeJudge(msgspec.Struct):
    """Since when it is too low and too high, or soon going to be (ms UTC); -1 while it isn't."""

    low_since: int = -1
    high_since: int = -1

    def reset(self) -> None:
        """What came before says nothing any more: a step, a gap."""
        self.low_since = self.high_since = -1

    def judge(
        self, tank: Tank, moment: Moment, curve: PhCurve, ph: float, found: dict[str, Finding]
    ) -> Finding | None:
        """Every five minutes. `ph` is as read, steps and all; `found` is what CO2 explains already."""
        now = moment.frame.start_ms
        water = tank.settings.water
        low = LOWEST_PH if water.ph_low is None else water.ph_low
        high = HIGHEST_PH if water.ph_high is None else water.ph_high
        slope = curve.slope
        raised = "ph-out-of-range" in moment.active
        below, above = low - ph, ph - high
        slow_fall = self._slow_fall(curve, ph)
        too_low = self._too_low(tank, curve, ph, low, slow_fall, "co2-overdose" in found)
        poured = _poured(tank, moment)
        too_high = self._too_high(tank, curve, ph, high, "co2-absent" in found, poured)
        self.low_since = -1 if not too_low else self.low_since if self.low_since >= 0 else now
        self.high_since = -1 if not too_high else self.high_since if self.high_since >= 0 else now
        since = max(self.low_since, self.high_since)
        wrong = since >= 0
        near = below > -0.3 and slow_fall > 0.0
        if not wrong and not (raised and (below > -0.1 or above > -0.1 or near)):
            return None
        far = max(below, above)
        steep = slope is not None and abs(slope) > 0.3
        lows, highs = curve.extremes.lows, curve.extremes.highs
        strange = len(lows) >= 2 and not min(lows) - STRANGE <= ph <= max(highs) + STRANGE
        patience = 0 if far > 0.3 or steep else 10 if far > 0.15 or strange else 30
        if not raised and now - since < patience * MINUTE_MS:
            return None
        return Finding(
            alarm="ph-out-of-range",
            holding=not wrong,
            priority="high" if far > 0.4 else "medium",
            value=round(ph, 2),
            unit="pH",
            time_left_s=0.0 if far > 0 else (-below / slow_fall * 86400 if slow_fall > 0 else None),
            cause="carbonate hardness is running out, so little acid moves pH far"
            if below > above
            else "something makes the water alkaline: a stone, substrate, tap water, or the electrode is off",
            observations=[
                f"pH {ph:.2f}, limits {low:.1f} to {high:.1f}{curve.doubted}",
                f"lowest and highest of the days before: {', '.join(f'{v:.2f}' for v in lows[-3:])}; "
                f"{', '.join(f'{v:.2f}' for v in highs[-3:])}"
                if lows
                else "no earlier day to compare with",
            ],
        )

    @staticmethod
    def _slow_fall(curve: PhCurve, ph: float) -> float:
        """pH a day by which the whole curve sinks; 0 where it doesn't."""
        before = curve.residuals.ago(6 * HOUR - 10 * MINUTE_MS)
        if before is None or not curve.creeping():
            return 0.0
        lows, highs = curve.extremes.lows, curve.extremes.highs
        if len(lows) >= 3:
            # as little hardness is left, it sinks faster from day to day
            return max(min(lows[-3] - lows[-1], highs[-3] - highs[-1]) / 2, lows[-1] - ph)
        return 4 * (curve.residuals.values[-1] - before)

    @staticmethod
    def _too_low(tank: Tank, curve: PhCurve, ph: float, low: float, slow_fall: float, overdose: bool) -> bool:
        fast = curve.slope is not None and curve.slope < -0.08
        if overdose or (tank.settings.co2 is not None and fast and not curve.creeping()):
            return False  # gas lowers it
        below = low - ph
        # a swing that has always gone this far is this tank's own
        lows = curve.extremes.lows
        usual = min(lows) if len(lows) >= 2 else None
        now = below > 0 and (usual is None or ph < max(usual, low - OWN_SWING) - 0.03)
        if now or (slow_fall > 0.08 and 0 < -below < slow_fall):
            return True
        # where no gas is given, a fall of an hour is acid, or the last of the hardness
        free = not curve.injected(tank) and len(lows) >= 2 and ph < median(lows) - UNUSUAL
        return free and curve.slope is not None and 0 < -below < -curve.slope

    @staticmethod
    def _too_high(tank: Tank, curve: PhCurve, ph: float, high: float, absent: bool, poured: bool) -> bool:
        degassed = tank.settings.water.degassed_ph
        if absent and (degassed is None or ph < degassed + 0.3):
            return False  # no more gas in it
        above = ph - high
        highs = curve.extremes.highs
        usual = max(highs) if len(highs) >= 2 else None
        if above > 0:
            return usual is None or ph > min(usual, high + OWN_SWING) + 0.05
        lately = curve.window.slope_per_hour(15 * MINUTE_MS)
        over = lately is not None and lately < 0.3 * curve.rise
        if usual is None or above == 0 or poured or over:
            return False  # water that was changed lifts it at once and no further
        # the highest of each day: the day on which the rise began is not this tank's usual
        unusual = ph - median(highs)
        beyond_air = degassed is None or tank.settings.co2 is None or ph > degassed + 0.05
        sure = beyond_air or curve.rise > 0.4 or ph > max(highs) + STRANGE
        return unusual > UNUSUAL and above + curve.rise > 0 and sure


def _poured(tank: Tank, moment: Moment) -> bool:
    """Whether water may have been poured in: it warms or cools as neither heater nor room can do it."""
    slope = moment.heat.slope
    if slope is None:  # a leap or a gap in the last half-hour, or there is no thermometer
        return moment.frame.temperature is not None
    usual = abs(moment.heat.cooling_rate or USUAL_COOLING)
    return slope < -POURED_TIMES * usual - POURED_MARGIN or slope > 1.5 * tank.heating_rate_c_per_h
