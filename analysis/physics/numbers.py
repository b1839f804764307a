"""The numbers of water and how it is measured: one error of KH and one of pH, for all of the analysis.

The coefficients of published formulas stay beside their formulas, in `rushlight.analysis.physics.water`.
"""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = [
    "ELECTRODE",
    "MIXING",
    "SALTS",
    "WATER",
    "ElectrodeNumbers",
    "MixingNumbers",
    "SaltNumbers",
    "WaterNumbers",
]


class WaterNumbers(Numbers, frozen=True, kw_only=True):
    """Hardness, the water's CO2 without any given, and what is taken where there is no thermometer."""

    kh_error_dkh: Annotated[
        float,
        Of(
            "dKH",
            "standard error of a drop test's KH",
            "drop tests count whole drops of one degree: a value anywhere within a drop either way has a "
            "standard error of 1/√3 = 0.58 (rectangular distribution; GUM, JCGM 100:2008, 4.3.7), rounded up",
        ),
    ] = 0.6
    least_kh_dkh: Annotated[float, Of("dKH", "a KH below it counts as it in the error: no test is finer")] = (
        0.8
    )
    before_gas_mg_l: Annotated[float, Of("mg/L", "CO2 of tank water before the gas comes on")] = 3.0
    usual_c: Annotated[float, Of("°C", "the water, where no thermometer says it")] = 24.0
    coldest_c: Annotated[float, Of("°C", "formulas are asked for nothing colder")] = 0.0
    warmest_c: Annotated[float, Of("°C", "nor for anything warmer")] = 40.0


class SaltNumbers(Numbers, frozen=True, kw_only=True):
    """What is dissolved beside the bicarbonate, where KH is all that is known."""

    gh_per_kh: Annotated[
        float,
        Of(
            "dGH/dKH",
            "GH of water whose GH is not known",
            "the mean of the world's rivers: Ca 15, Mg 4.1, HCO3 58.4 mg/L (Livingstone 1963, "
            "U.S. Geological Survey Professional Paper 440-G; figures from memory)",
        ),
    ] = 1.14
    salt_share: Annotated[
        float,
        Of(
            "",
            "sodium chloride beside the hardness, equivalents",
            "half of what those rivers carry: Na 6.3, K 2.3, Cl 7.8 mg/L",
        ),
    ] = 0.15
    strength_per_excess: Annotated[
        float,
        Of(
            "mol/eq",
            "ionic strength of hardness beyond KH: its anions, half sulphate and half chloride",
            "½·Σ c·z², Lewis & Randall 1921 (from memory)",
        ),
    ] = 0.75
    strength_per_us_cm: Annotated[
        float,
        Of(
            "mol/L",
            "ionic strength for each µS/cm at 25 °C",
            "PHREEQC for river-like water: 1.37e-5 at 1 dKH to 1.48e-5 at 12 dKH",
        ),
    ] = 1.42e-5


class ElectrodeNumbers(Numbers, frozen=True, kw_only=True):
    """A pH electrode's errors, by its calibration."""

    calibrated_ph: Annotated[float, Of("pH", "standard error of a hobby electrode between calibrations")] = (
        0.1
    )
    creep_ph: Annotated[float, Of("pH", "by which an electrode creeps in a month and more")] = 0.15
    keeps_days: Annotated[int, Of("days", "a calibration is relied on: once a month")] = 31
    remind_days: Annotated[int, Of("days", "at least, between reminders of a calibration that is due")] = 14
    rectangular: Annotated[
        float,
        Of("", "a half-width squared over its variance", "rectangular distribution; JCGM 100:2008, 4.3.7"),
    ] = 3.0
    buffer_c: Annotated[
        float, Of("°C", "at which the offset in mV is turned into pH", "NIST/IUPAC buffers")
    ] = 25.0


class MixingNumbers(Numbers, frozen=True, kw_only=True):
    """Two waters that animals are to be moved between."""

    close_c: Annotated[
        float,
        Of(
            "°C",
            "float the bag until less is left",
            "excerpt of an unnamed review, weak; no better was found",
        ),
    ] = 2.0
    close_ph: Annotated[float, Of("pH", "a smaller difference needs no mixing")] = 0.5
    portion_share: Annotated[float, Of("", "of the bucket, exchanged at a time")] = 0.25


WATER = WaterNumbers()
SALTS = SaltNumbers()
ELECTRODE = ElectrodeNumbers()
MIXING = MixingNumbers()
