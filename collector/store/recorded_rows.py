"""What a recorded reading may say before it is let into the store: the same as one on the wire.

A file is as foreign as a device: a flag, a time or a name that can't be would break what reads the store.
"""

from __future__ import annotations

import math

from rushlight.collector.readings import QUANTITIES, STAMP_ARRIVAL, STAMP_DEVICE, TANK_NAME, Flag
from rushlight.collector.safe_text import safe_text

__all__ = ["EARLIEST_MS", "row_fault"]

EARLIEST_MS = 1_577_836_800_000  # 2020-01-01T00:00Z: as on the wire, an earlier clock was never set
_FLAGS = frozenset(int(flag) for flag in Flag)
_STAMPS = (STAMP_DEVICE, STAMP_ARRIVAL)
_SEQ = 2**63  # the store's whole numbers have 64 bits


def row_fault(
    tank: str,
    quantity: str,
    time_ms: int,
    value: float | None,
    flag: int = Flag.NOT_EVALUATED,
    seq: int = -1,
    stamp: int = STAMP_DEVICE,
    *,
    latest_ms: int | None = None,
) -> str | None:
    """What is wrong with a recorded reading, in words; None where it may be kept.

    Parameters
    ----------
    tank, quantity, time_ms, value, flag, seq, stamp
        As in `Reading`.
    latest_ms : int or None
        A later time is refused: it would hide what is measured from now on. None: any is taken.
    """
    if not tank:
        return "tank is empty"
    if not TANK_NAME.fullmatch(tank):
        said = safe_text(tank, 80)
        return f"{said!r} can't be a tank's name: letters, digits, '_', '-', '.' and ':', 64 at most"
    if quantity not in QUANTITIES:
        return f"unknown quantity {safe_text(quantity, 80)!r} (known: {', '.join(QUANTITIES)})"
    if time_ms < EARLIEST_MS:
        return "time is before 2020: a clock that was never set?"
    if latest_ms is not None and time_ms > latest_ms:
        return "time lies in the future: a clock that was wrong?"
    if value is not None and not math.isfinite(value):
        return f"value {value} is not a number (leave it empty for a probe that could not be read)"
    if flag not in _FLAGS:
        return f"flag {flag} is no QARTOD flag (1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing)"
    if not -_SEQ <= seq < _SEQ:
        return f"seq {seq} is no report number"
    if stamp not in _STAMPS:
        return f"stamp {stamp} is not known (0 the device's time, 1 stamped on arrival)"
    return None
