"""The records of a SenML pack (RFC 8428), each with types that fit."""

from __future__ import annotations

import json
import math
import re
from typing import Any

import msgspec

from rushlight.collector.errors import WireError
from rushlight.collector.intake.reports import (
    printable,
    whole_number,
)

__all__ = ["Senml", "decode_one_by_one", "decode_records"]


class Senml(msgspec.Struct, gc=False):
    """A SenML record's fields as far as they are used; the rest are allowed and ignored."""

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bver: int | None = None
    n: str = ""
    u: str | None = None
    v: float | None = None
    vs: str | None = None
    vb: bool | None = None
    vd: str | None = None
    s: float | None = None
    t: float | None = None
    seq: int | None = None


decode_records = msgspec.json.Decoder(list[Senml]).decode


def decode_one_by_one(payload: bytes, problems: list[WireError]) -> list[Senml]:
    """The slow way, for packs with something wrong in them: each record that can be kept is kept."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        raise WireError("encoding", "not UTF-8 text; send SenML as JSON in UTF-8") from None
    try:
        # NaN and Infinity are no JSON but some firmware prints them: taken here, refused by record below
        items = json.loads(text, parse_int=whole_number)
    except (ValueError, RecursionError) as error:
        raise WireError("json", f"not valid JSON ({printable(str(error))}); torn or wrongly built") from None
    if not isinstance(items, list):
        raise WireError("senml", "not a SenML pack: a pack is a JSON array of records, [{…}]")
    pack: list[Senml] = []
    for place, item in enumerate(items, 1):
        if not isinstance(item, dict):
            problems.append(WireError("senml", f"record {place} is not a JSON object"))
            continue
        alien = next((label for label in item if label.endswith("_")), None)
        if alien is not None:
            raise WireError("senml", f"label {printable(alien)!r} must be understood and is not known here")
        bad = [label for label, value in item.items() if not _fits(label, value)]
        for label in bad:
            kind = "seq" if label == "seq" else "number" if isinstance(item[label], float) else "type"
            problems.append(
                WireError(kind, f"record {place}: {label!r} can't be {printable(repr(item[label]))}")
            )
            del item[label]
        if set(bad) - {"seq"} - _BASE:  # the record's own value, name, unit or time is not to be trusted
            item = {label: item[label] for label in item if label in _BASE or label == "seq"}
        pack.append(msgspec.convert({label: item[label] for label in item if label in _LABELS}, Senml))
    return pack


_BASE = frozenset({"bn", "bt", "bu", "bv", "bver"})

_TEXTS = frozenset({"bn", "bu", "n", "u", "vs", "vd"})

_NUMBERS = frozenset({"bt", "bv", "v", "s", "t"})

_LABELS = frozenset(Senml.__struct_fields__)

_HALF_PAIR = re.compile("[\ud800-\udfff]").search  # JSON can escape half a surrogate pair; it is no text


def _fits(label: str, value: Any) -> bool:
    if label in _NUMBERS:
        number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        return number or value is None
    if label in _TEXTS:
        return not _HALF_PAIR(value) if isinstance(value, str) else value is None and label != "n"
    if label in ("seq", "bver"):
        return value is None or (isinstance(value, int) and not isinstance(value, bool))
    return value is None or isinstance(value, bool) if label == "vb" else True
