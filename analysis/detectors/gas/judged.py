"""What CO2 was judged by, as it is saved and shown."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.numbers import CURVE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.physics.carbon_dioxide import Gas, probability_over

__all__ = ["Judged", "judged_by"]


class Judged(msgspec.Struct, frozen=True):
    """The estimate behind the last judgement: what people are shown, too.

    Attributes
    ----------
    time_ms : int
        Of the frame (ms UTC).
    ph, slope : float
        The pH that it is an estimate for, less what stepped, and pH an hour (None: not known).
    gas : Gas
    over_now, over_soon : float
        Probability of being over the limit now, and within the hour if the pH falls on as it does.
    """

    time_ms: int
    ph: float
    slope: float | None
    gas: Gas
    over_now: float = 0.0
    over_soon: float = 0.0


def judged_by(tank: Tank, moment: Moment, curve: PhCurve, ph: float, gas: Gas) -> Judged:
    """What an estimate at that pH says of the limit, now and within the hour."""
    limit, now = tank.settings.livestock.co2_limit_mg_l, moment.frame.time_ms
    ahead = min(curve.fall, CURVE.steepest_ph_per_h)
    over = probability_over(gas, limit)
    soon = probability_over(Gas(gas.mg_l * 10**ahead, gas.error), limit) if ahead > 0 else over
    return Judged(now, ph, curve.slope, gas, over, soon)
