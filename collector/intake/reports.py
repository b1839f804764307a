"""What one payload says, whatever form it came in, and what its decoders share."""

from __future__ import annotations

import functools
import re

import msgspec

from rushlight.collector.errors import WireError
from rushlight.collector.readings import QUANTITIES, TANK_NAME
from rushlight.collector.safe_text import safe_text

__all__ = [
    "MAX_PAYLOAD",
    "RELATIVE_BELOW",
    "SEQ_BELOW",
    "UNITS",
    "Record",
    "Report",
    "can_be_tank",
    "may_hold_pack",
    "printable",
    "whole_number",
    "wrong_unit",
]

MAX_PAYLOAD = 64 * 1024  # bytes; a report of every quantity is well under 1 kB

RELATIVE_BELOW = 2**28  # RFC 8428 section 4.5.3: times below this are relative to now, in seconds
_LONGEST_NAME = 64  # characters of a tank's name, as in TANK_NAME
SEQ_BELOW = 2**53  # a board's report number, counted up from 0

UNITS = {quantity: info.unit for quantity, info in QUANTITIES.items()}


class Record(msgspec.Struct, gc=False):
    """One value of a report.

    Attributes
    ----------
    quantity : str
    value : float or None
        In the quantity's unit; None where the device could not read the probe.
    time_ms : int or None
        The device's absolute time, UTC, ms since 1970.
    age_ms : int or None
        How long before sending it was taken, where the device sent a relative time (negative: ahead).
    """

    quantity: str
    value: float | None
    time_ms: int | None = None
    age_ms: int | None = None


class Report(msgspec.Struct):
    """What one payload says about one tank; `seq` is -1 where the device sends none."""

    tank: str
    seq: int = -1
    records: list[Record] = []
    problems: list[WireError] = []


def can_be_tank(name: str) -> bool:
    return len(name) <= _LONGEST_NAME and _matches(name)  # what is remembered must not fill the memory


@functools.lru_cache(4096)  # the same few again and again
def _matches(name: str) -> bool:
    return TANK_NAME.fullmatch(name) is not None


def whole_number(text: str) -> int | float:
    return int(text) if len(text) < 17 else float(text)  # int() of a long text is slow, or refused


def wrong_unit(quantity: str, unit: str, sent: str) -> WireError:
    hint = " (in SenML, F is the farad)" if sent == "F" else ""
    return WireError(
        "unit", f"{quantity}: unit {printable(sent)!r} can't be turned into {unit!r}{hint}; send {unit!r}"
    )


def printable(text: str, most: int = 80) -> str:
    return safe_text(text, most)


may_hold_pack = re.compile(rb"\[\s*\{").search
"""Whether a line has the beginning of a pack in it: "[{"; a debug print may begin with "[" as well."""
