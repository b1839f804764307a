"""Packs as nearly all boards send them, read in half the time.

Plain is a pack whose first record has the base name, where there are any the base time and the number, and
each of whose records has a name, our unit and a value, and nothing else. Whatever isn't is for
`rushlight.collector.intake.senml` to look at, record by record; of a plain pack it finds the same.
"""

from __future__ import annotations

import msgspec

from rushlight.collector.intake.reports import (
    RELATIVE_BELOW,
    SEQ_BELOW,
    UNITS,
    Record,
    Report,
    can_be_tank,
)

__all__ = ["decode_plain"]

_FARTHEST_S = 2**43  # 280 000 years: such a time can't be true


class _Plain(msgspec.Struct, gc=False, forbid_unknown_fields=True):
    n: str
    u: str
    v: float
    bn: str | None = None
    bt: float | None = None
    seq: int | None = None


_decode = msgspec.json.Decoder(list[_Plain]).decode


def decode_plain(payload: bytes, tank: str, only: bool) -> Report | None:
    """The report of a plain pack, None of any other and of one about another tank than its topic names."""
    try:
        pack = _decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None
    if not pack:
        return None
    head = pack[0]
    base, seconds, seq, time_ms = head.bn or "", head.bt, head.seq, None
    name = base[:-1]
    if base != name + "/" or ((only or tank) and name != tank) or not can_be_tank(name):
        return None
    if seconds is not None:
        if not RELATIVE_BELOW <= seconds < _FARTHEST_S:
            return None
        time_ms = round(seconds * 1000)
    if seq is not None and not 0 <= seq < SEQ_BELOW:
        return None
    records: list[Record] = []
    for item in pack:
        quantity = item.n
        if UNITS.get(quantity) != item.u:
            return None
        if item is not head and (item.bn is not None or item.bt is not None):
            return None
        records.append(Record(quantity, item.v, time_ms))
    return Report(name, -1 if seq is None else seq, records)
