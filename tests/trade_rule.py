"""The trade's rule of thumb for CO2, for comparison only: nothing of Rushlight judges by it."""

from __future__ import annotations

__all__ = ["trade_rule_mg_l"]


def trade_rule_mg_l(ph: float, carbonate_hardness_dkh: float) -> float:
    """3 · KH · 10^(7 - pH), mg/L. Common practice, no source; it knows no temperature."""
    return 3.0 * carbonate_hardness_dkh * float(10.0 ** (7.0 - ph))
