"""Water chemistry: dissolved CO2 from pH and KH, CO2 of the air; oxygen, ammonia, mixing.

Pure functions of plain floats, without state or arrays: they are called for every minute of data.

Units: temperature °C, concentrations mg/L, carbonate hardness (KH) in German degrees (dKH), pH as activity.
All functions raise ValueError, naming the argument, on values that no tank water can have (not finite,
pH outside 0–14, temperature outside −5–60 °C, negative KH, concentration or volume not above 0).
"""

from __future__ import annotations

import math

from rushlight.analysis.physics.salts import salts, unpaired

__all__ = [
    "MEQ_PER_DKH",
    "air_equilibrium_mg_l",
    "carbon_dioxide_mg_l",
    "log_k_calcium_bicarbonate",
    "log_k_calcium_carbonate",
    "log_kh",
    "mixed_temperature_c",
    "oxygen_saturation_mg_l",
    "pk1",
    "pk2",
    "pkw",
    "unionised_ammonia_fraction",
]

ZERO_C_K = 273.15
CO2_MG_PER_MOL = 44_009.5
ATMOSPHERE_KPA = 101.325
MOST = 1e12
MOST_ERROR = 100.0  # of a logarithm
PH_MOST = 14.0
MOST_US_CM = 100_000.0

# 1 dKH is 10 mg/L CaO, 17.848 mg/L as CaCO3 (100.087 g/mol, two equivalents).
MEQ_PER_DKH = 2 * 17.848 / 100.087


def _checked_kelvin(temperature_c: float) -> float:
    # Written so that NaN fails too.
    if not -5.0 <= temperature_c <= 60.0:
        raise ValueError(f"temperature_c: {temperature_c!r} °C is no tank water; give −5 to 60 °C")
    return temperature_c + ZERO_C_K


def _check_ph(name: str, ph: float) -> None:
    if not 0.0 <= ph <= PH_MOST:
        raise ValueError(f"{name}: {ph!r} is no pH; give 0 to 14")


def _check_hardness(name: str, degrees: float) -> None:
    if not 0.0 <= degrees <= 100.0:
        raise ValueError(f"{name}: {degrees!r} degrees can't be right; give 0 to 100")


def _check_above_zero(name: str, value: float) -> None:
    if not 0.0 < value <= MOST:  # a whole number of Python may be larger than any float
        raise ValueError(f"{name}: {value!r} must be a number above 0, and below {MOST:g}")


def log_kh(temperature_c: float) -> float:
    """log10 of Henry's constant of CO2, mol/(L·atm): Plummer & Busenberg 1982, GCA 46:1011-1040."""
    t = _checked_kelvin(temperature_c)
    return 108.3865 + 0.01985076 * t - 6919.53 / t - 40.45154 * math.log10(t) + 669365.0 / (t * t)


def pk1(temperature_c: float) -> float:
    """pK of CO2 + H2O = H+ + HCO3- at zero ionic strength: Plummer & Busenberg 1982, GCA 46:1011-1040."""
    t = _checked_kelvin(temperature_c)
    return 356.3094 + 0.06091964 * t - 21834.37 / t - 126.8339 * math.log10(t) + 1684915.0 / (t * t)


def pk2(temperature_c: float) -> float:
    """pK of HCO3- = H+ + CO3-2 at zero ionic strength: Plummer & Busenberg 1982, GCA 46:1011-1040."""
    t = _checked_kelvin(temperature_c)
    return 107.8871 + 0.03252849 * t - 5151.79 / t - 38.92561 * math.log10(t) + 563713.9 / (t * t)


def log_k_calcium_bicarbonate(temperature_c: float) -> float:
    """log10 K of Ca+2 + HCO3- = CaHCO3+: Plummer & Busenberg 1982, GCA 46:1011-1040."""
    t = _checked_kelvin(temperature_c)
    return 1209.120 + 0.31294 * t - 34765.05 / t - 478.782 * math.log10(t)


def log_k_calcium_carbonate(temperature_c: float) -> float:
    """log10 K of Ca+2 + CO3-2 = CaCO3 (dissolved): Plummer & Busenberg 1982, GCA 46:1011-1040."""
    t = _checked_kelvin(temperature_c)
    return -1228.732 - 0.299444 * t + 35512.75 / t + 485.818 * math.log10(t)


def pkw(temperature_c: float) -> float:
    """pK of water: Harned & Hamer 1933, J. Am. Chem. Soc. 55:2194 (coefficients from memory)."""
    t = _checked_kelvin(temperature_c)
    return 4470.99 / t - 6.0875 + 0.01706 * t


def _log_gamma(ionic_strength: float, temperature_c: float) -> float:
    """log10 of the activity coefficient of a singly charged ion; four times that for CO3-2.

    Extended Debye-Hückel with the ion size that phreeqc.dat has for HCO3- and CO3-2 (5.4 Å); A and B from
    the dielectric constant of water (Malmberg & Maryott 1956, J. Res. NBS 56:1; coefficients from memory).
    """
    t = temperature_c
    dielectric = 87.740 + t * (-0.40008 + t * (9.398e-4 - 1.410e-6 * t))
    et = dielectric * _checked_kelvin(t)
    root_i = math.sqrt(ionic_strength)
    root_et = math.sqrt(et)
    return -1.82e6 / (et * root_et) * root_i / (1.0 + 5.4 * 50.3 / root_et * root_i)


def carbon_dioxide_mg_l(
    ph: float,
    carbonate_hardness_dkh: float,
    temperature_c: float,
    activity: bool = True,
    *,
    general_hardness_dgh: float | None = None,
    conductivity_us_cm: float | None = None,
) -> float:
    """Dissolved CO2 from pH, carbonate hardness and temperature through the carbonate equilibria.

    Alkalinity = [HCO3-] + 2 [CO3-2] + [CaHCO3+] + 2 [CaCO3] + [OH-] - [H+].

    Parameters
    ----------
    ph : float
        As an electrode reads it (activity).
    carbonate_hardness_dkh : float
        KH in German degrees; what a drop test calls KH is the alkalinity.
    temperature_c : float
    activity : bool
        False leaves out ionic activity and calcium's pairs (an ideal solution); reads 2 % (1 dKH) to 12 %
        (12 dKH) higher.
    general_hardness_dgh : float, optional
        GH in German degrees: 0 is water of sodium bicarbonate. Where it is not given, the water is taken to
        be like the mean of the world's rivers (`numbers.SaltNumbers`).
    conductivity_us_cm : float, optional
        Of the water, µS/cm at 25 °C: for the ionic strength.

    Returns
    -------
    float
        mg/L as CO2; 0 where the pH is so high that OH- alone exceeds the alkalinity.

    Notes
    -----
    Alkalinity and CO2 are both per litre; both per kilogram of water would change the result by under 0.01 %.

    Within 2 % of PHREEQC (phreeqc.dat) for 1 to 12 dKH, pH 6.0 to 8.0, 0 to 30 °C, where GH is given: water
    of sodium bicarbonate (0.5 %), of calcium bicarbonate, and tap-like water with magnesium, sulphate and
    chloride. Where it is not given, within 2 % for water like the world's rivers; of sodium bicarbonate it
    then reads up to 5 % low (12 dKH). What matters in practice is the error of pH and KH: see
    `rushlight.analysis.physics.carbon_dioxide`.
    """
    _check_ph("ph", ph)
    _check_hardness("carbonate_hardness_dkh", carbonate_hardness_dkh)
    alkalinity = carbonate_hardness_dkh * MEQ_PER_DKH * 1e-3
    calcium, log_g = 0.0, 0.0
    hardness = None
    if general_hardness_dgh is not None:
        _check_hardness("general_hardness_dgh", general_hardness_dgh)
        hardness = general_hardness_dgh * MEQ_PER_DKH * 1e-3
    if conductivity_us_cm is not None and not 0.0 <= conductivity_us_cm <= MOST_US_CM:
        raise ValueError(
            f"conductivity_us_cm: {conductivity_us_cm!r} can't be right; give 0 to {MOST_US_CM:g}"
        )
    if activity:
        calcium, strength = salts(alkalinity, hardness, conductivity_us_cm)
        log_g = _log_gamma(strength, temperature_c)
    free = alkalinity + 10.0 ** (-ph - log_g) - 10.0 ** (ph - pkw(temperature_c) - log_g)
    if free <= 0.0:
        return 0.0
    # {CO3}/{HCO3} = 10^(pH-pK2); the activity coefficient of CO3-2 is gamma^4, hence gamma^3 here.
    carbonate = 10.0 ** (ph - pk2(temperature_c) - 3.0 * log_g)
    bicarbonate = free / (1.0 + 2.0 * carbonate)
    if calcium:
        one = 10.0 ** (log_k_calcium_bicarbonate(temperature_c) + 4.0 * log_g)
        two = carbonate * 10.0 ** (log_k_calcium_carbonate(temperature_c) + 8.0 * log_g)
        bicarbonate = unpaired(free, calcium, carbonate, one, two)
    return float(bicarbonate * 10.0 ** (log_g + pk1(temperature_c) - ph)) * CO2_MG_PER_MOL


def vapour_pressure_kpa(temperature_c: float) -> float:
    """Vapour pressure of water, kPa: the formula of Benson & Krause 1984."""
    t = _checked_kelvin(temperature_c)
    return ATMOSPHERE_KPA * math.exp(11.8571 - 3840.70 / t - 216961.0 / (t * t))


def air_equilibrium_mg_l(
    temperature_c: float, co2_ppm: float = 420.0, pressure_kpa: float = ATMOSPHERE_KPA
) -> float:
    """CO2 that water holds once it is in equilibrium with air: about 0.6 mg/L at 25 °C.

    `co2_ppm` is the mole fraction in dry air: 420 is the open air of the 2020s; a lived-in room has
    600 to 1500 (common practice, no source), and its water accordingly more.
    """
    _check_above_zero("co2_ppm", co2_ppm)
    _check_above_zero("pressure_kpa", pressure_kpa)
    dry_kpa = pressure_kpa - vapour_pressure_kpa(temperature_c)
    _check_above_zero("pressure_kpa less the vapour pressure", dry_kpa)
    atm = co2_ppm * 1e-6 * dry_kpa / ATMOSPHERE_KPA
    return float(10.0 ** log_kh(temperature_c)) * atm * CO2_MG_PER_MOL


def oxygen_saturation_mg_l(temperature_c: float, pressure_kpa: float = ATMOSPHERE_KPA) -> float:
    """Oxygen of fresh water in equilibrium with moist air, mg/L: Benson & Krause 1984.

    Limnol. Oceanogr. 29:620-632, with its pressure correction; 0–40 °C, 50–110 kPa (absolute pressure at
    the tank, not reduced to sea level).
    """
    t = _checked_kelvin(temperature_c)
    c = temperature_c
    at_one_atm = math.exp(
        -139.34411 + (1.575701e5 + (-6.642308e7 + (1.243800e10 - 8.621949e11 / t) / t) / t) / t
    )
    vapour = vapour_pressure_kpa(temperature_c)
    _check_above_zero("pressure_kpa", pressure_kpa)
    _check_above_zero("pressure_kpa less the vapour pressure", pressure_kpa - vapour)
    theta = (0.000975 + c * (-1.426e-5 + 6.436e-8 * c)) / ATMOSPHERE_KPA
    share = (pressure_kpa - vapour) * (1.0 - theta * pressure_kpa)
    return at_one_atm * share / ((ATMOSPHERE_KPA - vapour) * (1.0 - theta * ATMOSPHERE_KPA))


def unionised_ammonia_fraction(ph: float, temperature_c: float) -> float:
    """Share (0 to 1) of total ammonia that is NH3, the poisonous form: Emerson et al. 1975.

    J. Fish. Res. Board Can. 32:2379-2383, zero salinity (formula from memory).
    """
    _check_ph("ph", ph)
    pka = 0.09018 + 2729.92 / _checked_kelvin(temperature_c)
    return 1.0 / (1.0 + float(10.0 ** (pka - ph)))


def mixed_temperature_c(first_litres: float, first_c: float, second_litres: float, second_c: float) -> float:
    """Temperature of two waters poured together: heat balance, equal heat capacities, no loss to the room."""
    _check_above_zero("first_litres", first_litres)
    _check_above_zero("second_litres", second_litres)
    _checked_kelvin(first_c)
    _checked_kelvin(second_c)
    return (first_litres * first_c + second_litres * second_c) / (first_litres + second_litres)
