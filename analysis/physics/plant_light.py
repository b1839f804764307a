"""Light as plants use it, estimated from lux: PPFD and the daily light integral.

Thimijan & Heins 1983, HortScience 18:818-822: lux for each µmol/(m²·s) of 400 to 700 nm, by the kind of lamp
(figures from memory). White LEDs are younger than that paper: 70 is common practice, no source; it depends on
their colour. A lux meter sees the human eye's curve, so all of it is an estimate.
"""

from __future__ import annotations

from typing import Final

__all__ = ["LUX_PER_UMOL", "daily_light_mol", "ppfd_umol"]

LUX_PER_UMOL: Final = {
    "led": 70.0,
    "fluorescent": 74.0,
    "metal-halide": 71.0,
    "incandescent": 50.0,
    "sun": 54.0,
}


def ppfd_umol(lux: float, lamp: str) -> float:
    """µmol/(m²·s) of light of 400 to 700 nm; KeyError for an unknown lamp."""
    return lux / LUX_PER_UMOL[lamp]


def daily_light_mol(mean_lux: float, hours: float, lamp: str) -> float:
    """mol/(m²·d) of so many hours at a mean level."""
    return ppfd_umol(mean_lux, lamp) * hours * 3600 / 1e6
