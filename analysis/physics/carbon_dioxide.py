"""An estimate of dissolved CO2 with its error: one statement of it for all that judge by it or show it.

The error is of the estimate's logarithm (law of propagation; GUM, JCGM 100:2008, 5.1.2): a factor.
What is shown as likely is one standard error either way: two in three (68 %, normal distribution).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from rushlight.analysis.physics.numbers import WATER

__all__ = ["LIKELY", "Gas", "likely_text", "log_error", "probability_over"]

LIKELY = "likely, two in three"
"""What a range of one standard error either way is called in a drawing."""


class Gas(NamedTuple):
    """Dissolved CO2, mg/L, and the standard error of its logarithm."""

    mg_l: float
    error: float

    @property
    def low(self) -> float:
        """One standard error below, mg/L."""
        return self.mg_l * math.exp(-self.error)

    @property
    def high(self) -> float:
        """One standard error above, mg/L."""
        return self.mg_l * math.exp(self.error)

    def errors_above(self, limit: float) -> float:
        """How many standard errors it is above a limit (mg/L); negative below."""
        return math.log(self.mg_l / limit) / self.error


def likely_text(low_mg_l: float, high_mg_l: float) -> str:
    """That range in words, for notices, status and page."""
    return f"likely {low_mg_l:.0f} to {high_mg_l:.0f}"


def probability_over(gas: Gas, limit: float) -> float:
    """Probability that CO2 is above `limit` (mg/L): its logarithm is normally distributed."""
    return math.erfc(-gas.errors_above(limit) / math.sqrt(2)) / 2


def log_error(ph_error: float, carbonate_hardness_dkh: float) -> float:
    """Standard error of ln CO2 by pH and KH.

    CO2 goes as 10^-pH and as KH; that of temperature is under a hundredth and left out.

    Parameters
    ----------
    ph_error : float
        Standard error of the pH (`rushlight.analysis.physics.electrode_trust`).
    carbonate_hardness_dkh : float
    """
    kh_error = WATER.kh_error_dkh / max(carbonate_hardness_dkh, WATER.least_kh_dkh)
    return math.hypot(math.log(10) * ph_error, kh_error)
