"""Gas that runs out of the valve's hours: it has stuck open, and the night is the worst of it.

With the valve shut the gas leaves, and pH rises by this tank's own pace. Where it doesn't, and comes below
all that is usual, gas still runs: what lowers the whole curve, as hardness does, was there before.
"""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.valve_open_numbers import VALVE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.valve_hours import valve_hours
from rushlight.analysis.estimators.units import DAY_MS
from rushlight.analysis.physics.carbon_dioxide import Gas

__all__ = ["ValveWatch"]


class ValveWatch(msgspec.Struct):
    """State: when the valve should have shut last (ms UTC), and how far below the usual pH was then."""

    shut_ms: int = -1
    odd: float = 0.0

    def runs_on(self, tank: Tank, moment: Moment, curve: PhCurve, gas: Gas) -> bool:
        """Every five minutes: whether gas surely runs while its valve should be shut, and more than usual."""
        co2, expected, now = tank.settings.co2, curve.expected, moment.frame.start_ms
        valve = valve_hours(co2, moment.minute)
        if co2 is None or co2.source != "cylinder" or valve is None or valve.is_open or expected is None:
            return False
        odd = expected - curve.ph
        if valve.since_shut < VALVE.block_min:
            self.shut_ms, self.odd = now, odd
        if valve.since_shut < VALVE.shut_min or not 0 <= now - self.shut_ms < DAY_MS:
            return False
        found, margin, usual_low = "co2-overdose" in moment.active, curve.scatter, curve.usual_low
        if usual_low is None or usual_low - curve.ph < (0.0 if found else VALVE.below_ph + margin):
            return False
        if gas.high < VALVE.least_share * tank.settings.livestock.co2_limit_mg_l:
            return False
        return odd - self.odd > (VALVE.held_ph if found else VALVE.stays_ph + margin)
