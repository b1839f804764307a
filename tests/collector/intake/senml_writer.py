"""What a device writes, for tests of what reads it: the other way round, written from the contract."""

from __future__ import annotations

import binascii
from typing import Any

import msgspec

from rushlight.collector.intake.reports import UNITS, Report

__all__ = ["add_crc", "encode_pack"]


def add_crc(line: bytes) -> bytes:
    """The line with `` *XXXX``, CRC-16/CCITT-FALSE of its bytes (poly 0x1021, init 0xFFFF)."""
    return b"%b *%04X" % (line, binascii.crc_hqx(line, 0xFFFF))


def encode_pack(report: Report) -> bytes:
    """The SenML pack that is read as this report (its problems are not sent)."""
    items: list[dict[str, Any]] = []
    for record in report.records:
        item: dict[str, Any] = {"n": record.quantity, "u": UNITS[record.quantity]}
        if record.value is None:
            item["vs"] = "fault"
        else:
            item["v"] = record.value
        if record.time_ms is not None:
            item["t"] = record.time_ms / 1000
        elif record.age_ms is not None:
            item["t"] = -record.age_ms / 1000
        items.append(item)
    items[0] = {"bn": report.tank + "/"} | ({"seq": report.seq} if report.seq >= 0 else {}) | items[0]
    return msgspec.json.encode(items)
