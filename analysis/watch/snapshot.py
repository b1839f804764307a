"""The bytes in which a tank's analysis is saved: what it remembers and its alarms, each readable alone."""

from __future__ import annotations

import functools
import zlib
from collections.abc import Sequence
from typing import TypeVar

import msgspec

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import equipment_of
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.detectors.registry import Family
from rushlight.collector.errors import StoreError
from rushlight.collector.store.saved import schema_version

__all__ = ["book_in", "pack", "state_in", "version_of"]

_State = TypeVar("_State", bound=msgspec.Struct)

_ZLIB = b"\x78"  # RFC 1950, 2.2: deflate with a window of 32 kB
_LEVEL = 1  # less than half the bytes in a sixth of a millisecond; 6 saves another twelfth in four times that


class _Saved(msgspec.Struct):
    """A snapshot without its alarms; what was saved by other fields has another version, and is not read."""

    version: int
    state: msgspec.Raw = msgspec.Raw()
    families: dict[str, msgspec.Raw] = {}


@functools.cache
def version_of(state: type[msgspec.Struct], families: tuple[type[Family], ...]) -> int:
    """Version of what these remember: it follows from their fields."""
    return schema_version({"watch": state, **{kind.name: kind for kind in families}})


def pack(version: int, state: msgspec.Struct, families: Sequence[Family], alarms: bytes) -> bytes:
    """State and alarms, for the store."""
    encode = msgspec.msgpack.encode
    saved = {"version": version, "state": state, "families": {family.name: family for family in families}}
    return encode([zlib.compress(encode(saved), _LEVEL), alarms])


def book_in(blob: bytes, tank: Tank) -> AlarmBook:
    """The alarms alone, whatever the other half is.

    Raises
    ------
    msgspec.MsgspecError, StoreError
        They can't be read.
    """
    _, alarms = msgspec.msgpack.decode(blob, type=tuple[bytes, bytes])
    settings = tank.settings
    return AlarmBook.restore(tank.name, settings.title, alarms, equipment_of(settings), settings.timezone)


def state_in(
    blob: bytes, version: int, kind: type[_State], families: Sequence[type[Family]], where: str
) -> tuple[_State, list[Family]]:
    """The rest of it; StoreError, beginning with `where`, where it can't be read or is of another version."""
    decode = msgspec.msgpack.decode
    try:
        packed = decode(blob, type=tuple[bytes, bytes])[0]
        if packed.startswith(_ZLIB):  # older ones are plain; msgpack's maps begin with other bytes
            packed = zlib.decompress(packed)
        saved = decode(packed, type=_Saved)
    except (msgspec.MsgspecError, zlib.error) as error:
        raise StoreError(f"{where}: the saved state can't be read ({error}); it is learnt anew") from None
    if saved.version != version:
        raise StoreError(f"{where}: the saved state is another version's; it is learnt anew")
    try:
        state = decode(saved.state, type=kind)
        found: list[Family] = [decode(saved.families[family.name], type=family) for family in families]
    except (msgspec.MsgspecError, KeyError) as error:
        raise StoreError(f"{where}: the saved state can't be read ({error}); it is learnt anew") from None
    return state, found
