"""Probes that are in somebody's hand just now, to be calibrated: what they give is not the tank's water."""

from __future__ import annotations

from typing import Final

import msgspec

from rushlight.collector.store.states import Keepsakes

__all__ = ["Span", "in_hand", "let_go", "take_in_hand"]

Span = tuple[int, int]
"""From when and until when a probe is in hand (ms UTC).

What a board kept from before is the tank's water, and a clock that was ahead takes only that span.
"""

_META: Final = "in-hand"
_Kept = dict[str, dict[str, Span]]


def in_hand(store: Keepsakes) -> dict[str, dict[str, Span]]:
    """Tank -> quantity -> when it is in hand."""
    try:
        return msgspec.json.decode(store.get_meta(_META) or "{}", type=_Kept)
    except msgspec.MsgspecError:
        return {}  # of another version: it ends by itself anyway


def take_in_hand(store: Keepsakes, tank: str, quantity: str, span: Span) -> None:
    """The probe is in hand until its end at the latest."""
    with store.transaction():
        known = in_hand(store)
        known.setdefault(tank, {})[quantity] = span
        store.set_meta(_META, msgspec.json.encode(known).decode())


def let_go(store: Keepsakes, tank: str, quantity: str) -> None:
    """It is back in the water."""
    with store.transaction():
        known = in_hand(store)
        known.get(tank, {}).pop(quantity, None)
        store.set_meta(_META, msgspec.json.encode({name: of for name, of in known.items() if of}).decode())
