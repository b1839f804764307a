"""Saved structs: read by the schema that wrote them, and refused by any other."""

from __future__ import annotations

import msgspec
import pytest

from rushlight.collector.store.saved import pack, schema_version, unpack


class One(msgspec.Struct):
    count: int = 0
    level: float = 1.5


class More(msgspec.Struct):
    count: int = 0
    level: float = 1.5
    name: str = ""


def test_what_was_packed_is_read_and_by_its_own_schema_only() -> None:
    blob = pack("one", One, One(7, 2.5))
    assert unpack("one", One, blob) == One(7, 2.5)
    for name, kind in (("one", More), ("other", One)):
        with pytest.raises(msgspec.ValidationError, match=f"the saved {name} is another version's"):
            unpack(name, kind, blob)
    with pytest.raises(msgspec.MsgspecError):
        unpack("one", One, b"rubbish")


def test_the_version_follows_from_names_fields_and_defaults() -> None:
    def other(**fields: tuple[type, object]) -> int:
        made = msgspec.defstruct("One", [(n, t, d) for n, (t, d) in fields.items()])
        return schema_version({"one": made})

    same = other(count=(int, 0), level=(float, 1.5))
    assert same == other(count=(int, 0), level=(float, 1.5)) == schema_version({"one": One})
    assert len({same, other(count=(int, 1), level=(float, 1.5)), other(count=(int, 0))}) == 3
