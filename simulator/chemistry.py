"""The carbonate system of fresh water, for the simulated tanks: of the demo, the tests and the benches.

Written apart from `analysis/physics/water.py` on purpose: a simulated tank that shared the judge's formulas
would agree with its mistakes too. This solver keeps alkalinity and total inorganic carbon and works out the
pH; the judge goes the other way, from pH to CO2.

Constants: Plummer & Busenberg 1982, Geochim. Cosmochim. Acta 46:1011-1040; activities after Davies. The
coefficients are from memory; the tests check the result against PHREEQC and PyCO2SYS.
"""

from __future__ import annotations

import math
from functools import lru_cache

__all__ = [
    "ALKALINITY_PER_DKH",
    "CO2_MG_PER_MOL",
    "TITRATED",
    "Constants",
    "air_co2",
    "constants_at",
    "humic_alkalinity",
    "ph_of",
    "speciate",
    "table",
    "total_from_co2",
]

ALKALINITY_PER_DKH = 17.85e-3 / 50.04  # mol/L: 1 dKH = 17.85 mg/L as CaCO3, 50.04 mg a milliequivalent
CO2_MG_PER_MOL = 44_010.0
TITRATED = 10**-4.4
"""Where a drop test for KH turns its colour (H+ activity; common practice, no source)."""
_WARMEST_C = 60.0


class Constants:
    """Constants at one temperature (°C) and ionic strength (mol/L), for H+ as activity, the rest in mol/L."""

    __slots__ = ("gamma", "henry", "k1", "k2", "kw")

    def __init__(self, t_c: float, ionic: float) -> None:
        t = t_c + 273.15
        lt = math.log10(t)
        log_kh = 108.3865 + 0.01985076 * t - 6919.53 / t - 40.45154 * lt + 669365 / t**2
        log_k1 = -356.3094 - 0.06091964 * t + 21834.37 / t + 126.8339 * lt - 1684915 / t**2
        log_k2 = -107.8871 - 0.03252849 * t + 5151.79 / t + 38.92561 * lt - 563713.9 / t**2
        log_kw = -283.971 + 13323 / t - 0.05069842 * t + 102.24447 * lt - 1119669 / t**2
        a = 0.509 + 0.0009 * (t_c - 25)
        root = math.sqrt(ionic)
        log_gamma = -a * (root / (1 + root) - 0.3 * ionic)
        self.gamma = 10**log_gamma
        gamma2 = 10 ** (4 * log_gamma)
        self.henry = 10**log_kh
        self.k1 = 10**log_k1 / self.gamma
        self.k2 = 10**log_k2 * self.gamma / gamma2
        self.kw = 10**log_kw / self.gamma


def speciate(total: float, alkalinity: float, k: Constants, h: float = 1e-7) -> tuple[float, float]:
    """(CO2 in mol/L, activity of H+) from total carbon and alkalinity (mol/L); `h` is a first guess."""
    k1, k2, kw, g = k.k1, k.k2, k.kw, 1 / k.gamma
    for _ in range(60):
        d = h * h + k1 * h + k1 * k2
        carbon = total * (k1 * h + 2 * k1 * k2) / d
        f = carbon + kw / h - h * g - alkalinity
        # derivative by ln h, always negative
        slope = (
            total * (k1 * h * d - (k1 * h + 2 * k1 * k2) * (2 * h * h + k1 * h)) / (d * d) - kw / h - h * g
        )
        step = f / slope
        if step > 1.0:
            step = 1.0
        elif step < -1.0:
            step = -1.0
        h *= math.exp(-step)
        if -1e-5 < step < 1e-5:
            break
    return total * h * h / (h * h + k1 * h + k1 * k2), h


def total_from_co2(co2: float, alkalinity: float, k: Constants) -> tuple[float, float]:
    """(total inorganic carbon, activity of H+) of water with dissolved CO2 `co2` (mol/L)."""
    low, high = 1e-12, 1e-2
    for _ in range(80):  # bisection on log h: alkalinity falls as h rises
        h = math.sqrt(low * high)
        alk = co2 * (k.k1 / h + 2 * k.k1 * k.k2 / (h * h)) + k.kw / h - h / k.gamma
        if alk > alkalinity:
            low = h
        else:
            high = h
    return co2 * (1 + k.k1 / h + k.k1 * k.k2 / (h * h)), h


@lru_cache(maxsize=64)
def table(ionic: float) -> tuple[Constants, ...]:
    """Constants each 0.25 °C from 0 to 60 °C."""
    return tuple(Constants(i / 4, ionic) for i in range(int(_WARMEST_C) * 4 + 1))


def constants_at(constants: tuple[Constants, ...], t_c: float) -> Constants:
    """Those of a `table` that are nearest to a temperature."""
    return constants[int(min(max(t_c, 0.0), _WARMEST_C) * 4 + 0.5)]


def humic_alkalinity(groups: float, h: float) -> float:
    """Negative charge of humic acids, eq/L, in water of H+ activity `h`; `groups`: their acid groups, eq/L.

    Oliver, Thurman & Malcolm (1983), Geochim. Cosmochim. Acta 47:2031-2035: pK = 0.96 + 0.90 pH - 0.039 pH²
    (from memory).
    """
    if not groups:
        return 0.0
    ph = -math.log10(h)
    k = 10 ** -(0.96 + 0.90 * ph - 0.039 * ph * ph)
    return groups * k / (k + h)


def ph_of(kh: float, ionic: float, t_c: float, co2_mg: float, humic_eq: float = 0.0) -> float:
    """pH of water with a hardness (dKH), dissolved CO2 (mg/L) and acid groups of humic matter (eq/L)."""
    k = constants_at(table(ionic), t_c)
    carbonate = kh * ALKALINITY_PER_DKH
    for _ in range(20 if humic_eq else 1):  # humic acids give back less in more acid water
        _, h = total_from_co2(co2_mg / CO2_MG_PER_MOL, carbonate, k)
        carbonate = max(kh * ALKALINITY_PER_DKH - humic_alkalinity(humic_eq, h), 1e-6)
    return -math.log10(h)


def air_co2(t_c: float, ppm: float, ionic: float) -> float:
    """Dissolved CO2 in balance with air, mg/L."""
    return constants_at(table(ionic), t_c).henry * ppm * 1e-6 * CO2_MG_PER_MOL
