"""Whether a rise of pH is gas that leaves, or something alkaline.

Where no more gas comes, CO2 goes to the little that air leaves in the water at the tank's own loss k, so pH
rises by k / ln 10 an hour at the most, and by less the less gas is left (first-order exchange with the air:
Stumm & Morgan, Aquatic Chemistry, from memory). A faster rise is something else.
"""

from __future__ import annotations

import math

from rushlight.analysis.detectors.gas.acid_numbers import ALKALINE
from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.estimate import water_celsius
from rushlight.analysis.detectors.gas.numbers import ESTIMATE
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.physics.carbon_dioxide import Gas
from rushlight.analysis.physics.water import air_equilibrium_mg_l

__all__ = ["alkaline_probability", "leaving_chance"]

_LN10 = math.log(10)


def leaving_chance(curve: PhCurve, gas: Gas | None, celsius: float | None) -> float:
    """Probability that a tank without any more gas loses it so fast as `curve` rises.

    Parameters
    ----------
    curve : PhCurve
    gas : Gas or None
        CO2 now, as estimated; None where nothing ties pH to it.
    celsius : float or None
        Of the water, °C.
    """
    # what air leaves in it can't leave; the estimate is taken high, so that more could
    rest = ESTIMATE.aired_share * air_equilibrium_mg_l(water_celsius(celsius))
    share = 1.0 if gas is None else 1.0 - rest / gas.high
    if share <= 0.0:
        return 0.0
    needed = _LN10 * curve.rise / share
    loss = curve.loss_per_h
    if loss is not None and not curve.ceaseless:
        return math.erfc(math.log(needed / loss) / ALKALINE.loss_log / math.sqrt(2)) / 2
    # nobody has seen the gas leave: anywhere between the bounds of all tanks (log-uniform)
    least, most = SURGE.least_loss_per_h, SURGE.most_loss_per_h
    return min(1.0, max(0.0, math.log(most / needed) / math.log(most / least)))


def alkaline_probability(tank: Tank, curve: PhCurve, gas: Gas | None, celsius: float | None) -> float:
    """Probability that something alkaline lifts the pH (Bayes), 0 where it does not rise.

    Of it any pace is expected, of gas that leaves only what this tank can lose.
    """
    if curve.rise <= 0.0:
        return 0.0
    if tank.settings.co2 is None:
        return 1.0
    return 1.0 / (1.0 + ALKALINE.gone_odds * leaving_chance(curve, gas, celsius))
