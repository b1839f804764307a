"""Power cuts made up from a record of what a process wrote and synced (`powercut.c`, preloaded into it)."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

__all__ = ["STORE", "STORE_LOG", "SYNC", "Operation", "left_by_a_cut", "read_operations"]

STORE, STORE_LOG = 0, 1
SYNC, TRUNCATE = 1, 2
_SECTOR = 512


class Operation(NamedTuple):
    kind: int  # 0 write, 1 sync, 2 truncate
    file: int  # 0 the store, 1 its log, 2 standard output, 3 a socket
    offset: int  # of a socket: its number
    data: bytes


def read_operations(path: Path) -> list[Operation]:
    """All that was recorded, in order."""
    data, at, operations = path.read_bytes(), 0, []
    while at < len(data):
        what, offset, length = struct.unpack_from("=QQQ", data, at)
        at += 24
        operations.append(Operation(what >> 32, what & 0xFF, offset, data[at : at + length]))
        at += length
    return operations


def left_by_a_cut(
    operations: Sequence[Operation], chance: random.Random, before: bytes = b""
) -> tuple[bytes, bytes]:
    """The store, which was `before`, and its log as a power cut after these operations may leave them.

    What was synced is there. Of what was written since, each 512-byte sector is there or not, in no order.
    """
    images = [bytearray(before), bytearray()]
    kept_share = chance.choice([0.0, 0.5, 0.9, 1.0])
    for file, image in enumerate(images):
        mine = [n for n, operation in enumerate(operations) if operation.file == file]
        synced = max((n for n in mine if operations[n].kind == SYNC), default=-1)
        for n in mine:
            operation = operations[n]
            whole = n < synced
            if operation.kind == TRUNCATE and (whole or chance.random() < kept_share):
                del image[operation.offset :]
            size = len(operation.data) if whole else _SECTOR
            for start in range(0, len(operation.data), max(size, 1)):
                if whole or chance.random() < kept_share:
                    piece = operation.data[start : start + size]
                    place = operation.offset + start
                    image.extend(bytes(max(0, place + len(piece) - len(image))))
                    image[place : place + len(piece)] = piece
    return bytes(images[STORE]), bytes(images[STORE_LOG])
