"""Snapshots whose version follows from their schema: what other fields have written is never misread."""

from __future__ import annotations

import functools
import zlib
from collections.abc import Mapping
from typing import Any

import msgspec

__all__ = ["pack", "schema_version", "unpack"]


def schema_version(types: Mapping[str, Any]) -> int:
    """A number that follows from the fields of saved structs: names, types and defaults, all the way down.

    Parameters
    ----------
    types : mapping of str to type
        Saved types by the names they are saved under.

    Returns
    -------
    int
        CRC-32 of their JSON schemas; another one for any other field, type or default.
    """
    schemas, components = msgspec.json.schema_components(types.values())
    return zlib.crc32(msgspec.json.encode([sorted(types), schemas, components], order="deterministic"))


_encode = msgspec.msgpack.Encoder().encode


@functools.cache
def _version(name: str, kind: Any) -> int:
    return schema_version({name: kind})


def pack(name: str, kind: Any, value: object) -> bytes:
    """`value`, of type `kind`, with the version of its schema; for `unpack` with the same name and type."""
    return _encode((_version(name, kind), value))


def unpack(name: str, kind: Any, blob: bytes) -> Any:
    """What was packed.

    Raises
    ------
    msgspec.MsgspecError
        It can't be read, or another schema wrote it.
    """
    version, raw = msgspec.msgpack.decode(blob, type=tuple[int, msgspec.Raw])
    if version != _version(name, kind):
        raise msgspec.ValidationError(f"the saved {name} is another version's")
    return msgspec.msgpack.decode(raw, type=kind)
