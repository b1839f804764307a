"""What else is dissolved in water of some hardness: its ionic strength, and calcium that holds bicarbonate.

KH alone does not say it. Where GH or conductivity is known they do; else the water is taken to be like the
mean of the world's rivers. Magnesium counts as calcium: its pairs are as strong within a tenth.
"""

from __future__ import annotations

import math

from rushlight.analysis.physics.numbers import SALTS

__all__ = ["salts", "unpaired"]


def salts(alkalinity: float, hardness: float | None, conductivity_us_cm: float | None) -> tuple[float, float]:
    """(calcium and magnesium, ionic strength) of a water, mol/L.

    Parameters
    ----------
    alkalinity : float
        eq/L.
    hardness : float or None
        Calcium and magnesium, eq/L. None: not known.
    conductivity_us_cm : float or None
        µS/cm at 25 °C. None: not known.
    """
    hard = SALTS.gh_per_kh * alkalinity if hardness is None else hardness
    sodium, excess = max(alkalinity - hard, 0.0), max(hard - alkalinity, 0.0)
    own = hard + (alkalinity + sodium) / 2
    strength = own + SALTS.strength_per_excess * excess + SALTS.salt_share * hard
    if conductivity_us_cm is None:
        return hard / 2, strength
    measured = max(
        conductivity_us_cm * SALTS.strength_per_us_cm, alkalinity
    )  # its anions alone are that much
    if hardness is None:  # few ions beside the bicarbonate: sodium may take calcium's place
        hard = min(hard, 2.0 * (measured - alkalinity))
    return hard / 2, measured


def unpaired(free: float, calcium: float, carbonate: float, one: float, two: float) -> float:
    """Bicarbonate that no calcium holds, mol/L.

    Parameters
    ----------
    free : float
        Alkalinity less that of OH- and H+, eq/L.
    calcium : float
        All of it, paired or not, mol/L.
    carbonate : float
        [CO3-2] / [HCO3-].
    one, two : float
        [CaHCO3+] and [CaCO3], each over [Ca+2] [HCO3-], L/mol.

    Notes
    -----
    Calcium left over is calcium / (1 + (one + two) b); put into the alkalinity that is a quadratic in b.
    """
    own, taken = 1.0 + 2.0 * carbonate, one + two
    half = (own + (one + 2.0 * two) * calcium - free * taken) / 2
    return free / (half + math.sqrt(half * half + own * taken * free))
