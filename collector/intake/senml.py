"""Bytes into reports: SenML packs (RFC 8428, JSON form), serial lines with a CRC, topic maps.

A bad record costs only itself: it goes into `Report.problems` and its neighbours are kept. A payload of
which nothing can be kept raises `WireError`; no other exception leaves this module.
"""

from __future__ import annotations

import binascii
import math
import re

import msgspec

from rushlight.collector.errors import WireError
from rushlight.collector.intake.reports import (
    MAX_PAYLOAD,
    RELATIVE_BELOW,
    SEQ_BELOW,
    UNITS,
    Record,
    Report,
    can_be_tank,
    may_hold_pack,
    printable,
    wrong_unit,
)
from rushlight.collector.intake.senml_plain import decode_plain
from rushlight.collector.intake.senml_records import Senml, decode_one_by_one, decode_records
from rushlight.collector.intake.topic_maps import TopicMaps
from rushlight.collector.readings import CONVERSIONS, QUANTITIES

__all__ = [
    "MAX_PAYLOAD",
    "Record",
    "Report",
    "TopicMaps",
    "decode_line",
    "decode_pack",
]

_FARTHEST_MS = 2**53  # a time beyond this is cut to it: it can't be true, and is stamped on arrival
_VERSION = 10  # RFC 8428 section 4.4

_CRC_TAIL = re.compile(rb" \*([0-9A-Fa-f]{4})\Z")


def decode_pack(payload: bytes, tank: str = "", only: bool = False) -> Report:
    """Decode a SenML pack.

    Parameters
    ----------
    payload : bytes
        JSON array of SenML records, UTF-8.
    tank : str
        Whose it is where the pack has no base name (from the topic); the pack's own name goes first.
    only : bool
        Records of another tank than `tank` are refused: who may publish there may write for it alone.

    Raises
    ------
    WireError
        Where nothing of it can be kept; `kind` is size, encoding, json, senml, version or the kind of the
        first bad record.
    """
    if len(payload) > MAX_PAYLOAD:
        raise WireError("size", f"payload of {len(payload)} bytes; the most that is read is {MAX_PAYLOAD}")
    plain = decode_plain(payload, tank, only)
    if plain is not None:
        return plain
    problems: list[WireError] = []
    if b'_"' in payload:  # may hold a label that must be understood (RFC 8428 section 4.4)
        pack = decode_one_by_one(payload, problems)
    else:
        try:
            pack = decode_records(payload)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            pack = decode_one_by_one(payload, problems)
    return _resolve(pack, tank, problems, only)


class _Base:
    """The base fields as they hold at one record (RFC 8428 section 4.6)."""

    __slots__ = ("age_ms", "name", "owner", "tank", "time", "time_ms", "unit", "value")

    def __init__(self, tank: str) -> None:
        self.tank = tank
        self.name = ""
        self.unit: str | None = None
        self.time: float | None = None
        self.time_ms, self.age_ms = _stamp(None)  # of a record without a time of its own
        self.value = 0.0
        self.owner: str | None = tank  # whose the quantity is where its own name says no more

    def take(self, item: Senml) -> None:
        """Those that the record sets; WireError for a version that isn't understood."""
        if item.bver is not None and item.bver > _VERSION:
            raise WireError("version", f"SenML version {item.bver}; only up to {_VERSION} is understood")
        if item.bn is not None:
            self.name = item.bn
            self.owner = (item.bn[:-1] or self.tank) if item.bn.endswith("/") else None
        if item.bt is not None:
            self.time = item.bt
            self.time_ms, self.age_ms = _stamp(item.bt)
        if item.bu is not None:
            self.unit = item.bu
        if item.bv is not None:
            self.value = item.bv

    def named(self, name: str) -> tuple[str, str, str]:
        """Owner, quantity and its unit of a record named in full; WireError for no quantity of ours."""
        whole = self.name + name
        owner, _, quantity = whole.rpartition("/")
        unit = UNITS.get(quantity)
        if unit is None:
            raise _unknown_quantity(whole, quantity)
        return owner or self.tank, quantity, unit


def _resolve(pack: list[Senml], tank: str, problems: list[WireError], only: bool) -> Report:
    """Apply the base fields, check names, units and numbers."""
    base = _Base(tank)
    report_tank = ""
    records: list[Record] = []
    for item in pack:
        if not (item.bn is None and item.bt is None and item.bu is None and item.bv is item.bver is None):
            base.take(item)
        quantity, value, sent, time = item.n, item.v, item.u, item.t
        if not quantity and value is None and item.vs is None and item.vb is None and sent is None:
            continue  # only sets base fields
        try:
            owner, unit = base.owner, UNITS.get(quantity)
            if unit is None or owner is None:
                owner, quantity, unit = base.named(quantity)
            if owner != report_tank or not owner:
                problem = _check_tank(base.name + item.n, owner, report_tank, tank if only else None)
                if problem is not None:
                    raise problem
                report_tank = owner
            plain = sent == unit and base.value == 0 and item.vs is item.vd is None and item.vb is None
            if value is None or not plain or not math.isfinite(value):
                value = _value(item, quantity, unit, base)
        except WireError as error:
            problems.append(error)
            continue
        time_ms, age_ms = base.time_ms, base.age_ms
        if time is not None:
            time_ms, age_ms = _stamp(time if base.time is None else base.time + time)
        records.append(Record(quantity, value, time_ms, age_ms))
    seq = _seq_of(pack, problems)
    if not records:
        raise problems[0] if problems else WireError("empty", "a SenML pack without any record")
    return Report(report_tank, seq, records, problems)


def _value(item: Senml, quantity: str, unit: str, base: _Base) -> float | None:
    """In the quantity's unit; None for a probe that can't be read."""
    text = item.vs
    if (text is not None and text != "fault") or item.vb is not None or item.vd is not None:
        raise WireError("value", f"{quantity}: has a text or a truth value; send a number, 'v'")
    value = item.v
    if text is not None or value is None:
        return None
    value += base.value
    sent = item.u if item.u is not None else base.unit
    if sent is not None and sent != unit:
        factors = CONVERSIONS.get((unit, sent))
        if factors is None:
            raise wrong_unit(quantity, unit, sent)
        value = round(value * factors[0] + factors[1], 9)
    if not math.isfinite(value):
        raise WireError("number", f"{quantity}: {value} is no measurement")
    return value


def _stamp(time: float | None) -> tuple[int | None, int | None]:
    """A record's time and age in ms, from SenML's seconds: one of the two, or neither."""
    if time is None:
        return None, None
    if time < RELATIVE_BELOW:
        return None, _milliseconds(-time)
    return _milliseconds(time), None


def _seq_of(pack: list[Senml], problems: list[WireError]) -> int:
    seq = pack[0].seq if pack else None
    if seq is None:
        return -1
    if not 0 <= seq < SEQ_BELOW:
        problems.append(WireError("seq", f"seq {seq} is not a report number; count up from 0 at boot"))
        return -1
    return seq


def _milliseconds(seconds: float) -> int:
    found = seconds * 1000
    if -_FARTHEST_MS <= found <= _FARTHEST_MS:
        return round(found)
    return _FARTHEST_MS if found > 0 else -_FARTHEST_MS


def _unknown_quantity(name: str, quantity: str) -> WireError:
    known = ", ".join(QUANTITIES)
    return WireError(
        "quantity", f"{printable(name)!r}: quantity {printable(quantity)!r} is not known; known: {known}"
    )


def _check_tank(name: str, owner: str, report_tank: str, only: str | None) -> WireError | None:
    if only is not None and owner != only:
        return WireError(
            "tank",
            f"{printable(name)!r} is of another tank than its topic: who publishes for {printable(only)!r} "
            f"writes for that tank alone; make the base name {printable(only) + '/'!r}, or leave it out",
        )
    if report_tank:
        return WireError("tank", f"{printable(name)!r}: a pack is about one tank; send one pack for each")
    if not owner:
        return WireError("name", f"{printable(name)!r} names no tank; the base name must be 'TANK/'")
    if not can_be_tank(owner):
        return WireError("name", f"{printable(name)!r}: {printable(owner)!r} can't be a tank's name")
    return None


def decode_line(line: bytes) -> Report:
    """Decode a line of a serial port: a pack, its CRC checked where there is one.

    A pack glued to the torn rest of the one before (a device that reset in mid-line) is still found; the
    rest is counted as a problem of kind ``torn``.

    Raises
    ------
    WireError
        As `decode_pack`; also crc, and text for a line that is no pack (a boot banner, a debug print).
    """
    line = line.strip()
    if not may_hold_pack(line):
        raise WireError("text", "a line that is no SenML pack: a boot banner or a debug print?")
    try:
        return _checked_line(line)
    except WireError as error:
        start = line.rfind(b"[{")
        if start <= 0 or len(line) > 2 * MAX_PAYLOAD:
            raise
        try:
            report = _checked_line(line[start:])
        except WireError:
            raise error from None
    report.problems.append(WireError("torn", f"{start} bytes before the pack belong to a torn line"))
    return report


def _checked_line(line: bytes) -> Report:
    match = _CRC_TAIL.search(line)
    if match:
        line = line[: match.start()]
        sent, found = int(match[1], 16), binascii.crc_hqx(line, 0xFFFF)
        if sent != found:
            raise WireError(
                "crc",
                f"CRC is {sent:04X}, the line's own {found:04X}: damaged on the way; check cable and baud",
            )
    return decode_pack(line)
