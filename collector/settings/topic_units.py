"""Units of firmware that speaks its own way, and which quantity each can become."""

from __future__ import annotations

from rushlight.collector.readings import CONVERSIONS, QUANTITIES

__all__ = ["MAP_CONVERSIONS", "unit_fault"]

# A topic map is not SenML: there `unit` is ours, and F is what people mean by it.
MAP_CONVERSIONS = CONVERSIONS | {("Cel", "F"): (5 / 9, -160 / 9), ("lx", "klx"): (1000.0, 0.0)}


def unit_fault(quantity: str, unit: str | None) -> str | None:
    """Why no value in `unit` can become `quantity`; None where it can, or where the quantity is not known."""
    if unit is None or quantity not in QUANTITIES:
        return None
    wanted = QUANTITIES[quantity].unit
    if unit == wanted or (wanted, unit) in MAP_CONVERSIONS:
        return None
    units = [wanted, *(sent for own, sent in MAP_CONVERSIONS if own == wanted)]
    return f"{unit!r} can't be turned into {quantity}; write {' or '.join(map(repr, units))}, or leave it out"
