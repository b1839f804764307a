"""CO2 that should run and does not: the pH stays above what is usual at this time of day."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.numbers import ABSENCE, CURVE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.valve_hours import valve_hours
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.carbon_dioxide import Gas
from rushlight.collector.settings import CarbonDioxideSettings

__all__ = ["AbsenceJudge"]


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
        valve = valve_hours(co2, moment.minute)
        if valve is not None and not ABSENCE.after_opening_min <= valve.since_open <= valve.open_for:
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
            if expected is not None and curve.ph - expected < ABSENCE.back_ph:
                return None
        else:
            self.since = -1
            return None  # most of the time
        highs = curve.extremes.highs[-CURVE.recent_days :]
        # where nobody wrote its hours down they are what the usual day shows, until the timer is moved
        sure = co2.on is not None or (bool(highs) and curve.ph > median(highs) + ABSENCE.above_highest_ph)
        patience = ABSENCE.patience_min if sure else ABSENCE.own_hours_min
        if not raised and now - self.since < patience * MINUTE_MS:
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
        # fresh water, or an electrode set right
        odd = curve.ph - max(stepped, curve.lifted, 0.0) - curve.expected
        swing = curve.swing
        if co2.on is not None:
            need = max(ABSENCE.timed_ph, ABSENCE.timed_share * swing)
        else:
            need = max(ABSENCE.untimed_ph, ABSENCE.untimed_share * swing)
        level = curve.slope is None or curve.slope > -ABSENCE.level_ph_per_h
        if not (odd > need and level):
            return False
        return gas.mg_l < ABSENCE.most_share * tank.settings.livestock.co2_limit_mg_l
