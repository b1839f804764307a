"""The simulated tank's chemistry against two independent programs."""

from __future__ import annotations

import math
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.simulator.chemistry import (
    ALKALINITY_PER_DKH,
    CO2_MG_PER_MOL,
    Constants,
    constants_at,
    speciate,
    table,
    total_from_co2,
)

# (KH in dKH, °C, CO2 in mg/L): soft and cold to hard and warm, much CO2 to degassed (where carbonate counts)
POINTS = [
    (1.0, 15.0, 10.0),
    (2.0, 20.0, 15.0),
    (4.0, 23.0, 5.0),
    (4.0, 23.0, 20.0),
    (4.0, 30.0, 60.0),
    (8.0, 28.0, 40.0),
    (10.0, 15.0, 30.0),
    (6.0, 22.0, 1.1),
]


def _ours(kh: float, temperature_c: float, co2: float) -> tuple[float, float, float]:
    alkalinity = kh * ALKALINITY_PER_DKH
    k = Constants(temperature_c, alkalinity)
    carbon, h = total_from_co2(co2 / CO2_MG_PER_MOL, alkalinity, k)
    again, h_again = speciate(carbon, alkalinity, k)
    assert again * CO2_MG_PER_MOL == pytest.approx(co2, rel=1e-4)
    assert h_again == pytest.approx(h, rel=1e-4)
    return alkalinity, carbon, -math.log10(h_again)


@pytest.mark.parametrize(("kh", "temperature_c", "co2"), POINTS)
def test_ph_and_co2_agree_with_phreeqc(kh: float, temperature_c: float, co2: float) -> None:
    """PHREEQC (Parkhurst & Appelo 2013, USGS), phreeqc.dat, run by phreeqpython: same water, same carbon."""
    import phreeqpython

    alkalinity, carbon, ph = _ours(kh, temperature_c, co2)
    water = phreeqpython.PhreeqPython(database="phreeqc.dat").add_solution_simple(
        {"NaHCO3": alkalinity * 1000, "CO2": (carbon - alkalinity) * 1000}, temperature=temperature_c
    )
    # PHREEQC also pairs Na+ with carbonate, which we leave out: it matters only in degassed water
    assert ph == pytest.approx(water.pH, abs=0.001 if co2 >= 5 else 0.006)
    assert co2 == pytest.approx(water.species["CO2"] * CO2_MG_PER_MOL, rel=0.001 if co2 >= 5 else 0.012)


@pytest.mark.parametrize(("kh", "temperature_c", "co2"), POINTS)
def test_ph_agrees_with_pyco2sys(kh: float, temperature_c: float, co2: float) -> None:
    """PyCO2SYS (Humphreys et al. 2022), freshwater option 8, which has no activity correction.

    With our activity coefficients off (ionic strength 0) the two must give the same pH.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import PyCO2SYS

        alkalinity = kh * ALKALINITY_PER_DKH
        ideal = Constants(temperature_c, 0.0)
        carbon, h = total_from_co2(co2 / CO2_MG_PER_MOL, alkalinity, ideal)
        theirs = PyCO2SYS.sys(
            par1=alkalinity * 1e6,
            par1_type=1,
            par2=carbon * 1e6,
            par2_type=2,
            temperature=temperature_c,
            salinity=0,
            opt_k_carbonic=8,
        )
    assert -math.log10(h) == pytest.approx(float(theirs["pH"]), abs=0.01)


@pytest.mark.parametrize(
    ("temperature_c", "log_henry", "pk1", "pk2"),
    [(5, -1.1921, 6.5163, 10.5544), (20, -1.4069, 6.3819, 10.3756), (30, -1.5244, 6.3281, 10.2879)],
)
def test_constants_of_plummer_and_busenberg(
    temperature_c: float, log_henry: float, pk1: float, pk2: float
) -> None:
    """Plummer & Busenberg 1982, Geochim. Cosmochim. Acta 46:1011: values worked out from the formula."""
    c = Constants(temperature_c, 0.0)
    assert math.log10(c.henry) == pytest.approx(log_henry, abs=1e-4)
    assert -math.log10(c.k1) == pytest.approx(pk1, abs=1e-4)
    assert -math.log10(c.k2) == pytest.approx(pk2, abs=1e-4)


def test_ion_product_of_water() -> None:
    """pKw at 25 °C is 13.995 (CRC Handbook of Chemistry and Physics, from memory)."""
    assert -math.log10(Constants(25.0, 0.0).kw) == pytest.approx(13.995, abs=0.005)


@given(kh=st.floats(0.3, 20), temperature_c=st.floats(4, 34), co2=st.floats(0.3, 200), guess=st.floats(2, 13))
def test_solver_finds_its_way_back_from_any_guess(
    kh: float, temperature_c: float, co2: float, guess: float
) -> None:
    """Carbon made from a CO2 content gives that content back (round trip, no source needed)."""
    alkalinity = kh * ALKALINITY_PER_DKH
    k = Constants(temperature_c, alkalinity)
    carbon, _ = total_from_co2(co2 / CO2_MG_PER_MOL, alkalinity, k)
    dissolved, _ = speciate(carbon, alkalinity, k, 10**-guess)
    assert dissolved * CO2_MG_PER_MOL == pytest.approx(co2, rel=1e-5)


def test_table_gives_the_nearest_quarter_of_a_degree() -> None:
    constants = table(0.001)
    for t_c, nearest in ((20.1, 20.0), (20.2, 20.25), (-3.0, 0.0), (75.0, 60.0)):
        assert constants_at(constants, t_c).k1 == Constants(nearest, 0.001).k1
