"""Water chemistry: dissolved CO2 from pH and KH, its inverses and its uncertainty; oxygen, ammonia, mixing.

Pure functions of plain floats, without state or arrays: they are called for every minute of data.

Units: temperature °C, concentrations mg/L, carbonate hardness (KH) in German degrees (dKH), pH as activity.
All functions raise ValueError, naming the argument, on values that no tank water can have (not finite,
pH outside 0–14, temperature outside −5–60 °C, negative KH, concentration or volume not above 0).

Which method when
-----------------
* KH is known and carbonate makes up the alkalinity: `carbon_dioxide_mg_l`.
* KH unknown, or other acids and bases in the water (humic acids, phosphate buffers, leaf litter make the
  KH method read far too high): `carbon_dioxide_from_degassed`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from rushlight.collector.electrode import nernst_slope_mv

__all__ = [
    "MEQ_PER_DKH",
    "TRADE_BASE_MG_L",
    "CarbonDioxideEstimate",
    "air_equilibrium_mg_l",
    "carbon_dioxide_from_degassed",
    "carbon_dioxide_mg_l",
    "carbon_dioxide_trade_rule",
    "carbon_dioxide_uncertainty",
    "carbonate_hardness_from",
    "log_kh",
    "mixed_temperature_c",
    "nernst_slope_mv",
    "oxygen_saturation_mg_l",
    "ph_for",
    "pk1",
    "pk2",
    "pkw",
    "unionised_ammonia_fraction",
]

ZERO_C_K = 273.15
CO2_MG_PER_MOL = 44_009.5
ATMOSPHERE_KPA = 101.325

# 1 dKH is 10 mg/L CaO, 17.848 mg/L as CaCO3 (100.087 g/mol, two equivalents).
MEQ_PER_DKH = 2 * 17.848 / 100.087

# What the trade's "one unit of pH down is about 30 mg/L" takes for granted. Common practice, no source.
TRADE_BASE_MG_L = 3.0

_LN10 = math.log(10.0)


class CarbonDioxideEstimate(NamedTuple):
    """Dissolved CO2 with its uncertainty (GUM, JCGM 100:2008, terms).

    Attributes
    ----------
    estimate : float
        mg/L.
    relative_error : float
        Standard uncertainty of ln CO2; for small values the relative standard error.
    low, high : float
        mg/L, one standard uncertainty below and above (about 68 %).
    covered_low, covered_high : float
        mg/L, `coverage_factor` standard uncertainties below and above.
    """

    estimate: float
    relative_error: float
    low: float
    high: float
    covered_low: float
    covered_high: float


def _checked_kelvin(temperature_c: float) -> float:
    # Written so that NaN fails too.
    if not -5.0 <= temperature_c <= 60.0:
        raise ValueError(f"temperature_c: {temperature_c!r} °C is no tank water; give −5 to 60 °C")
    return temperature_c + ZERO_C_K


def _check_ph(name: str, ph: float) -> None:
    if not 0.0 <= ph <= 14.0:
        raise ValueError(f"{name}: {ph!r} is no pH; give 0 to 14")


def _check_hardness(dkh: float) -> None:
    if not 0.0 <= dkh <= 100.0:
        raise ValueError(f"carbonate_hardness_dkh: {dkh!r} dKH can't be right; give 0 to 100")


def _check_above_zero(name: str, value: float) -> None:
    if not 0.0 < value < math.inf:
        raise ValueError(f"{name}: {value!r} must be a number above 0")


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
    ph: float, carbonate_hardness_dkh: float, temperature_c: float, activity: bool = True
) -> float:
    """Dissolved CO2 from pH, carbonate hardness and temperature through the carbonate equilibria.

    Alkalinity = [HCO3-] + 2 [CO3-2] + [OH-] - [H+]. The water is taken to be like dissolved NaHCO3: its
    ionic strength is its alkalinity.

    Parameters
    ----------
    ph : float
        As an electrode reads it (activity).
    carbonate_hardness_dkh : float
        KH in German degrees; what a drop test calls KH is the alkalinity.
    temperature_c : float
    activity : bool
        False leaves the ionic activity out (an ideal solution); reads 2 % (1 dKH) to 8 % (12 dKH) higher.

    Returns
    -------
    float
        mg/L as CO2; 0 where the pH is so high that OH- alone exceeds the alkalinity.

    Notes
    -----
    Alkalinity and CO2 are both per litre; both per kilogram of water would change the result by under 0.01 %.

    Within 0.5 % of PHREEQC (phreeqc.dat) for NaHCO3 water of 1–12 dKH, pH 6.0–7.8, 15–30 °C. With calcium
    instead of sodium PHREEQC gives 0.6 % (1 dKH) to 3 % (12 dKH) less. What matters in practice is the
    error of pH and KH: see `carbon_dioxide_uncertainty`.
    """
    _check_ph("ph", ph)
    _check_hardness(carbonate_hardness_dkh)
    alkalinity = carbonate_hardness_dkh * MEQ_PER_DKH * 1e-3
    log_g = _log_gamma(alkalinity, temperature_c) if activity else 0.0
    free = alkalinity + 10.0 ** (-ph - log_g) - 10.0 ** (ph - pkw(temperature_c) - log_g)
    if free <= 0.0:
        return 0.0
    # {CO3}/{HCO3} = 10^(pH-pK2); the activity coefficient of CO3-2 is gamma^4, hence gamma^3 here.
    bicarbonate = free / (1.0 + 2.0 * 10.0 ** (ph - pk2(temperature_c) - 3.0 * log_g))
    return float(bicarbonate * 10.0 ** (log_g + pk1(temperature_c) - ph)) * CO2_MG_PER_MOL


def carbon_dioxide_uncertainty(
    ph: float,
    carbonate_hardness_dkh: float,
    temperature_c: float,
    *,
    ph_error: float = 0.1,
    carbonate_hardness_error_dkh: float = 1.0,
    temperature_error_c: float = 0.5,
    coverage_factor: float = 2.0,
) -> CarbonDioxideEstimate:
    """CO2 with the standard uncertainty that the errors of pH, KH and temperature leave in it.

    The law of propagation (GUM, JCGM 100:2008, 5.1.2) applied to ln CO2, errors taken as independent; the
    limits are therefore factors, not differences: 10 mg/L with 0.3 is 7.4 to 13.5 mg/L.

    Parameters
    ----------
    ph_error, carbonate_hardness_error_dkh, temperature_error_c : float
        Standard errors. The defaults are a calibrated hobby electrode and a drop test that counts whole
        degrees: common practice, no source.
    coverage_factor : float
        GUM's k; 2 covers about 95 %.

    Notes
    -----
    Errors in pH and KH act almost as ln 10 · ph_error and error/KH. Where the KH error is more than about
    half of KH itself the lower limit is only indicative.
    """
    if not carbonate_hardness_dkh > 0.0:
        raise ValueError(
            f"carbonate_hardness_dkh: {carbonate_hardness_dkh!r} dKH leaves CO2 undetermined; "
            "use carbon_dioxide_from_degassed"
        )
    for name, error in (
        ("ph_error", ph_error),
        ("carbonate_hardness_error_dkh", carbonate_hardness_error_dkh),
        ("temperature_error_c", temperature_error_c),
        ("coverage_factor", coverage_factor),
    ):
        if not 0.0 <= error < math.inf:
            raise ValueError(f"{name}: {error!r} must be a number from 0")
    estimate = carbon_dioxide_mg_l(ph, carbonate_hardness_dkh, temperature_c)
    # At fixed pH and KH temperature acts through pK1 alone (pK2, pKw and activity change it by under 0.1 %).
    t = min(max(temperature_c, -4.0), 59.0)
    per_degree = _LN10 * (pk1(t + 1.0) - pk1(t - 1.0)) / 2.0
    relative = math.hypot(
        _LN10 * ph_error,
        carbonate_hardness_error_dkh / carbonate_hardness_dkh,
        per_degree * temperature_error_c,
    )
    one, wide = math.exp(relative), math.exp(coverage_factor * relative)
    return CarbonDioxideEstimate(
        estimate, relative, estimate / one, estimate * one, estimate / wide, estimate * wide
    )


def carbonate_hardness_from(ph: float, co2_mg_l: float, temperature_c: float) -> float:
    """KH (dKH) that water of this pH and dissolved CO2 must have: the inverse of `carbon_dioxide_mg_l`.

    With the degassed pH and `air_equilibrium_mg_l` it checks a KH test: a test that says much more than
    this means that something other than carbonate holds the pH down. 0 where no alkalinity is left.

    Raises
    ------
    ValueError
        Also where it would be more than 100 dKH, which is no fresh water.
    """
    _check_ph("ph", ph)
    _check_above_zero("co2_mg_l", co2_mg_l)
    log_ratio = ph - pk1(temperature_c)
    carbonate = 2.0 * 10.0 ** (ph - pk2(temperature_c))
    hydroxide = 10.0 ** (ph - pkw(temperature_c)) - 10.0**-ph
    alkalinity = 0.0
    for _ in range(100):  # activity depends only weakly on the result: about eight rounds
        log_g = _log_gamma(alkalinity, temperature_c)
        bicarbonate = co2_mg_l / CO2_MG_PER_MOL * 10.0 ** (log_ratio - log_g)
        before = alkalinity
        alkalinity = bicarbonate * (1.0 + carbonate * 10.0 ** (-3.0 * log_g)) + hydroxide * 10.0**-log_g
        if alkalinity <= 0.0:
            return 0.0
        if alkalinity > 0.1 * MEQ_PER_DKH:
            break
        if abs(alkalinity - before) <= 1e-13 * alkalinity:
            return float(alkalinity) * 1e3 / MEQ_PER_DKH
    raise ValueError(
        f"co2_mg_l: {co2_mg_l:g} mg/L at pH {ph:g} would need more than 100 dKH; check the pH and the CO2"
    )


def ph_for(co2_mg_l: float, carbonate_hardness_dkh: float, temperature_c: float) -> float:
    """pH at which water of this KH holds `co2_mg_l`: the inverse of `carbon_dioxide_mg_l` in pH."""
    _check_above_zero("co2_mg_l", co2_mg_l)
    low, high = 0.0, 14.0
    for _ in range(48):  # CO2 falls steadily with pH, so halving always works; to 5e-14
        middle = (low + high) / 2.0
        if carbon_dioxide_mg_l(middle, carbonate_hardness_dkh, temperature_c) > co2_mg_l:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


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
    dry_kpa = pressure_kpa - vapour_pressure_kpa(temperature_c)
    _check_above_zero("pressure_kpa less the vapour pressure", dry_kpa)
    atm = co2_ppm * 1e-6 * dry_kpa / ATMOSPHERE_KPA
    return float(10.0 ** log_kh(temperature_c)) * atm * CO2_MG_PER_MOL


def carbon_dioxide_from_degassed(
    ph: float, degassed_ph: float, temperature_c: float, base_mg_l: float | None = None
) -> float:
    """CO2 from how far the pH is below the same water's degassed pH: base · 10^(degassed_ph - ph).

    Needs no KH, and an offset of the electrode drops out, so it also serves where KH is doubtful. It holds
    as long as bicarbonate stays the same, whatever else is in the water (within 2 % up to pH 8).

    Parameters
    ----------
    degassed_ph : float
        pH of the same water without added CO2, measured with the same electrode.
    temperature_c : float
        Only used for the default of `base_mg_l`.
    base_mg_l : float or None
        CO2 left in the degassed water; None: equilibrium with open air (`air_equilibrium_mg_l`).

    Notes
    -----
    The result is proportional to the base, and the base is the weak point. The trade's "one unit of pH down
    is tenfold CO2, about 30 mg/L" takes it to be 3 mg/L (`TRADE_BASE_MG_L`; common practice, no source),
    which fits tank water before the CO2 comes on, with fish and filter breathing into it. A sample that was
    truly aired holds about 0.6 mg/L, and then the same unit means 6 mg/L. Measure the two pH values in the
    way the base assumes.
    """
    _check_ph("ph", ph)
    _check_ph("degassed_ph", degassed_ph)
    if base_mg_l is None:
        base_mg_l = air_equilibrium_mg_l(temperature_c)
    _check_above_zero("base_mg_l", base_mg_l)
    return base_mg_l * float(10.0 ** (degassed_ph - ph))


def carbon_dioxide_trade_rule(ph: float, carbonate_hardness_dkh: float) -> float:
    """The trade's rule of thumb 3 · KH · 10^(7 - pH), mg/L. Common practice, no source; for comparison only.

    It knows no temperature: against PHREEQC it is off by about -23 % at 15 °C, -16 % at 20 °C, -10 % at
    25 °C and -5 % at 30 °C, always on the side that hides an overdose.
    """
    _check_ph("ph", ph)
    _check_hardness(carbonate_hardness_dkh)
    return 3.0 * carbonate_hardness_dkh * float(10.0 ** (7.0 - ph))


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
