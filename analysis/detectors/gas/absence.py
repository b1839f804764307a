"""CO2 that should run and does not: the pH stays above what is usual at this time of day."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.gas.curve import Gas, PhCurve
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding
from rushlight.collector.settings import CarbonDioxideSettings, parse_time_of_day

__all__ = ["AbsenceJudge"]

AFTER_OPENING_MIN = 150  # until then the gas of the day has hardly shown in the water


class AbsenceJudge(msgspec.Struct):
    """`since` is when it began to look wrong (ms UTC), -1 while it doesn't."""

    since: int = -1

    def judge(
        self, tank: Tank, moment: Moment, curve: PhCurve, gas: Gas, held: Finding | None
    ) -> Finding | None:
        """Every five minutes; `held` is what was found five minutes ago."""
        co2 = tank.settings.co2 or CarbonDioxideSettings()
        now = moment.frame.start_ms
        raised = "co2-absent" in moment.active
        if co2.on is not None and co2.off is not None:
            on, off = parse_time_of_day(co2.on), parse_time_of_day(co2.off)
            if not AFTER_OPENING_MIN <= (moment.minute - on) % 1440 <= (off - on) % 1440:
                self.since = -1
                if raised and held is not None:
                    # nothing can be seen out of hours: keep what was found until the valve opens again
                    held.holding = True
                    return held
                return None
        gone = self._gone(co2, tank, curve, gas, moment.current.ph_stepped)
        expected = curve.expected
        if gone:
            if self.since < 0:
                self.since = now
        elif raised:
            if expected is not None and curve.ph - expected < 0.12:
                return None
        else:
            self.since = -1
        if not raised and (self.since < 0 or now - self.since < 60 * MINUTE_MS):
            return None
        observations = [f"pH {curve.ph:.2f}, about {gas.mg_l:.0f} mg/L CO2{curve.doubted}"]
        if expected is not None:
            observations.append(f"usual at this time of day: pH {expected:.2f}")
        if curve.usual_low is not None:
            observations.append(f"this tank's usual lowest pH is {curve.usual_low:.2f}")
        return Finding(
            alarm="co2-absent",
            holding=not gone,
            priority="low",
            value=round(gas.mg_l, 1),
            unit="mg/L",
            cause="the cylinder is empty, its valve has stuck shut or the hose is off"
            if co2.source == "cylinder"
            else "the reactor is spent, or its hose is off or blocked",
            observations=observations,
        )

    @staticmethod
    def _gone(co2: CarbonDioxideSettings, tank: Tank, curve: PhCurve, gas: Gas, stepped: float) -> bool:
        highs = curve.extremes.highs
        if curve.expected is None or not highs:
            return False
        odd = curve.ph - max(stepped, 0.0) - curve.expected  # fresh water, or an electrode set right
        swing = curve.swing()
        need = max(0.22, 0.45 * swing) if co2.on is not None else max(0.3, 0.6 * swing)
        level = curve.slope is None or curve.slope > -0.08
        gone = odd > need and level and gas.mg_l < 0.8 * tank.settings.livestock.co2_limit_mg_l
        return gone and (co2.on is not None or curve.ph > median(highs[-3:]) + 0.05)
