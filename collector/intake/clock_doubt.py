"""What is wrong with the clock of a tank's device, in words."""

from __future__ import annotations

from typing import Protocol

import msgspec

from rushlight.collector.intake.stamper_state import STAMPER_HEAD, StamperState

__all__ = ["clock_doubt"]


class _States(Protocol):
    def load_state(self, kind: str, key: str) -> tuple[bytes, int] | None: ...


def clock_doubt(store: _States, tank: str) -> str:
    """What is wrong with the clock of a tank's device now, in words; "" where nothing is known to be.

    Raises
    ------
    StoreError
        The store can't be read.
    """
    saved = store.load_state(STAMPER_HEAD, tank)
    if saved is None:
        return ""
    try:
        clock = msgspec.msgpack.decode(saved[0], type=StamperState).clock
    except msgspec.MsgspecError:
        return ""
    if not clock.doubted:
        return ""
    hours = (clock.old_arrival_ms - clock.old_ms) / 3_600_000
    behind = f"{hours / 24:.0f} days" if hours >= 48 else f"{hours:.1f} h"
    return (
        f"its device's clock is {behind} behind this computer's: its reports are stamped on arrival; set its "
        "clock, or this computer's"
    )
