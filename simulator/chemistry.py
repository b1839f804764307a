"""The carbonate system of fresh water: constants, and the pH that follows from what is dissolved.

Written apart from `analysis/physics/water.py` on purpose: a simulated tank that shared the judge's formulas
would agree with its mistakes too. This solver keeps alkalinity and total inorganic carbon and works out the
pH; the judge goes the other way, from pH to CO2.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

__all__ = [
    "ALKALINITY_PER_DKH",
    "CO2_MG_PER_MOL",
    "Constants",
    "co2_fraction",
    "constants",
    "dissolved_co2",
    "total_carbon",
    "water_ph",
]

CO2_MG_PER_MOL = 44_009.5
ALKALINITY_PER_DKH = 17.85 / 50_043.5  # eq/L per German degree; 50.0435 g of CaCO3 carry one equivalent


class Constants(NamedTuple):
    """Thermodynamic constants (molal, taken as mol/L; atm) and the activity coefficients in use."""

    henry: float
    k1: float
    k2: float
    kw: float
    gamma1: float
    gamma2: float


@lru_cache(maxsize=4096)
def constants(temperature_c: float, ionic_strength: float) -> Constants:
    """Equilibrium constants at a temperature.

    Parameters
    ----------
    temperature_c : float
        0 to 50 °C.
    ionic_strength : float
        mol/L, below about 0.05.

    Notes
    -----
    Henry's constant, K1 and K2: Plummer & Busenberg 1982, Geochim. Cosmochim. Acta 46:1011. Kw: Harned &
    Hamer 1933 (from memory). Activity coefficients: Davies equation with A = 0.4883 + 8.074e-4 T(°C)
    (Davies 1962; the temperature slope is from memory). All are checked in the tests against PHREEQC.
    """
    kelvin = temperature_c + 273.15
    log_t = math.log10(kelvin)
    henry = 108.3865 + 0.01985076 * kelvin - 6919.53 / kelvin - 40.45154 * log_t + 669365 / kelvin**2
    k1 = -356.3094 - 0.06091964 * kelvin + 21834.37 / kelvin + 126.8339 * log_t - 1684915 / kelvin**2
    k2 = -107.8871 - 0.03252849 * kelvin + 5151.79 / kelvin + 38.92561 * log_t - 563713.9 / kelvin**2
    kw = -4471.0 / kelvin + 6.0875 - 0.01706 * kelvin
    root = math.sqrt(ionic_strength)
    davies = (0.4883 + 8.074e-4 * temperature_c) * (root / (1 + root) - 0.3 * ionic_strength)
    return Constants(10**henry, 10**k1, 10**k2, 10**kw, 10**-davies, 10 ** (-4 * davies))


def water_ph(alkalinity: float, carbon: float, c: Constants, guess: float = 7.0) -> float:
    """The pH at which charge balances.

    Parameters
    ----------
    alkalinity : float
        Carbonate alkalinity, eq/L, more than 0.
    carbon : float
        Total dissolved inorganic carbon, mol/L, more than 0.
    guess : float
        A nearby pH; the last step's pH makes one or two rounds enough.

    Raises
    ------
    ValueError
        Where nothing dissolved could give such water (carbon or alkalinity not above 0).
    """
    if carbon <= 0 or alkalinity <= 0:
        raise ValueError("alkalinity and dissolved carbon must be above 0")
    low, high = 2.0, 13.0
    ph = min(max(guess, low), high)
    for _ in range(60):
        surplus, slope = _charge(alkalinity, carbon, c, ph)
        if surplus > 0:
            high = ph
        else:
            low = ph
        step = surplus / slope
        if abs(step) < 1e-9:
            break
        ph -= step
        if not low < ph < high:  # Newton left the bracket: halve it instead
            ph = (low + high) / 2
    return ph


def _charge(alkalinity: float, carbon: float, c: Constants, ph: float) -> tuple[float, float]:
    """Alkalinity that this pH would need less the alkalinity there is, and its derivative by pH."""
    activity = 10**-ph
    one = c.k1 / (activity * c.gamma1)  # HCO3- per CO2
    two = one * c.k2 * c.gamma1 / (activity * c.gamma2)  # CO3-- per CO2
    whole = 1 + one + two
    hydroxide = c.kw / (activity * c.gamma1)
    hydrogen = activity / c.gamma1
    surplus = carbon * (one + 2 * two) / whole + hydroxide - hydrogen - alkalinity
    # d(one)/d(pH) = ln10 * one, d(two)/d(pH) = 2 ln10 * two
    slope = carbon * (one + 4 * two + one * two) / whole**2 + hydroxide + hydrogen
    return surplus, math.log(10) * slope


def co2_fraction(ph: float, c: Constants) -> float:
    """Share of the dissolved inorganic carbon that is CO2 at a pH."""
    activity = 10**-ph
    one = c.k1 / (activity * c.gamma1)
    return 1 / (1 + one + one * c.k2 * c.gamma1 / (activity * c.gamma2))


def dissolved_co2(carbon: float, ph: float, c: Constants) -> float:
    """Dissolved CO2 in mg/L from total inorganic carbon (mol/L) and pH."""
    return carbon * co2_fraction(ph, c) * CO2_MG_PER_MOL


def total_carbon(co2_mg_l: float, alkalinity: float, c: Constants) -> float:
    """Total inorganic carbon (mol/L) of water with so much CO2 (mg/L) and alkalinity (eq/L)."""
    if co2_mg_l <= 0:
        raise ValueError("dissolved CO2 must be above 0 mg/L")
    free = co2_mg_l / CO2_MG_PER_MOL
    low, high = 2.0, 13.0
    for _ in range(60):
        ph = (low + high) / 2
        surplus, _slope = _charge(alkalinity, free / co2_fraction(ph, c), c, ph)
        if surplus > 0:
            high = ph
        else:
            low = ph
    return free / co2_fraction((low + high) / 2, c)
