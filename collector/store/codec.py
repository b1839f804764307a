"""A day of one series as bytes: exact, small, quick to read.

Each column is whole numbers. Evenly spaced ones (times of a steady device, report numbers, flags) are kept as
first and step; others as differences or as offsets, whichever packs smaller, in the narrowest width, byte
planes apart, compressed with zstd (measured: smaller than zlib's best and read three times as fast). Values
become whole numbers by the day's decimal scale; those few that are no such decimal are kept beside it bit for
bit, and a day of many such is kept as raw doubles. Nothing is rounded: what a scale does not give back
exactly is not scaled.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any, NamedTuple

from collector.errors import StoreError

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    import zstandard
    from numpy.typing import NDArray

__all__ = ["Columns", "concatenate", "decode", "encode", "from_rows", "to_frame", "to_rows"]

_FORMAT = 1
_HEAD = struct.Struct("<BIb")  # format, readings, decimals (-1: raw doubles)
_LINEAR, _OFFSET, _DELTA = 0, 1, 2
_STEPS = struct.Struct("<BIqq")  # kind, numbers, first, step
_PACKED = struct.Struct("<BIqQBI")  # kind, numbers, least number or difference, first, width, bytes
_LEVEL = 6  # 12 is a hundredth smaller and takes ten times as long
_DECIMALS = 9
_WHOLE = 2.0**53  # up to here doubles hold every whole number


class Columns(NamedTuple):
    """Readings of one series by time, then seq; missing values are NaN."""

    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    flag: NDArray[np.signedinteger[Any]]
    seq: NDArray[np.int64]
    stamp: NDArray[np.signedinteger[Any]]


def from_rows(rows: list[tuple[Any, ...]]) -> Columns:
    """Columns from (time, value or None, flag, seq, stamp), sorted by time and seq."""
    import numpy as np

    times, values, flags, seqs, stamps = zip(*rows, strict=True) if rows else ((),) * 5
    columns = Columns(
        np.array(times, np.int64),
        np.array(values, np.float64),  # None becomes NaN
        np.array(flags, np.int64),
        np.array(seqs, np.int64),
        np.array(stamps, np.int64),
    )
    order = np.lexsort((columns.seq, columns.time_ms))
    return Columns._make(column[order] for column in columns)


def concatenate(parts: list[Columns]) -> Columns:
    """One after another, then sorted by time and seq where they overlap."""
    import numpy as np

    if not parts:
        return from_rows([])
    whole = Columns._make(np.concatenate(column) for column in zip(*parts, strict=True))
    if (np.diff(whole.time_ms) <= 0).any():
        order = np.lexsort((whole.seq, whole.time_ms))
        whole = Columns._make(column[order] for column in whole)
    return whole


def to_frame(columns: Columns) -> pd.DataFrame:
    """As a pandas frame: index `time` (UTC, ms), value (float64), flag (int8), seq (int64), stamp (int8)."""
    import pandas as pd

    index = pd.DatetimeIndex(columns.time_ms.view("datetime64[ms]"), name="time").tz_localize("UTC")
    return pd.DataFrame(
        {
            "value": columns.value,
            "flag": columns.flag.astype("int8", copy=False),
            "seq": columns.seq,
            "stamp": columns.stamp.astype("int8", copy=False),
        },
        index=index,
        copy=False,
    )


def to_rows(columns: Columns) -> list[tuple[Any, ...]]:
    """The reverse of `from_rows`."""
    import numpy as np

    values: list[float | None] = columns.value.tolist()
    for index in np.flatnonzero(np.isnan(columns.value)).tolist():
        values[index] = None
    return list(
        zip(
            columns.time_ms.tolist(),
            values,
            columns.flag.tolist(),
            columns.seq.tolist(),
            columns.stamp.tolist(),
            strict=True,
        )
    )


def encode(columns: Columns) -> bytes:
    """Pack columns; `decode` gives back the same numbers, bit for bit."""
    import numpy as np
    import zstandard

    present = ~np.isnan(columns.value)
    decimals, whole, odd, odd_bits = _scale(columns.value[present])
    parts = (columns.time_ms, columns.flag, columns.seq, columns.stamp, present, whole, odd, odd_bits)
    compressor = zstandard.ZstdCompressor(level=_LEVEL)
    body = b"".join(_pack(part.astype(np.int64), compressor) for part in parts)
    return _HEAD.pack(_FORMAT, len(columns.time_ms), decimals) + body


def decode(blob: bytes) -> Columns:
    """Unpack what `encode` made.

    Raises
    ------
    StoreError
        The bytes are from a newer program, or damaged.
    """
    import numpy as np
    import zstandard

    form, count, decimals = _HEAD.unpack_from(blob)
    if form != _FORMAT:
        raise StoreError(
            f"a stored day is in format {form}, this program knows {_FORMAT}; update the program"
        )
    offset = _HEAD.size
    parts = []
    decompressor = zstandard.ZstdDecompressor()
    try:
        for _ in range(8):
            part, offset = _unpack(blob, offset, decompressor)
            parts.append(part)
    except (zstandard.ZstdError, struct.error, ValueError) as error:
        raise StoreError(f"a stored day is damaged ({error}); restore a backup") from error
    times, flags, seqs, stamps, present, whole, odd, odd_bits = parts
    times, seqs, whole = (part.astype(np.int64, copy=False) for part in (times, seqs, whole))
    values = whole.view(np.float64) if decimals < 0 else whole / 10.0**decimals
    if len(odd):
        values[odd] = odd_bits.astype(np.int64, copy=False).view(np.float64)
    if len(values) < count:
        spread = np.full(count, np.nan)
        spread[present.astype(bool)] = values
        values = spread
    return Columns(times, values, flags, seqs, stamps)


def _scale(values: NDArray[np.float64]) -> tuple[int, NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Decimals, whole numbers, and index and bits of the values that the scale does not give back."""
    import numpy as np

    bits = values.view(np.int64)
    finite = np.where(np.isfinite(values), values, 0.0)
    for decimals in range(_DECIMALS + 1):
        with np.errstate(over="ignore"):
            scaled = np.rint(finite * 10.0**decimals)
        scaled[np.abs(scaled) >= _WHOLE] = 0.0
        whole = scaled.astype(np.int64)
        odd = np.flatnonzero((whole / 10.0**decimals).view(np.int64) != bits)
        if len(odd) <= len(values) // 50:
            return decimals, whole, odd, bits[odd]
    nothing = np.empty(0, np.int64)
    return -1, bits, nothing, nothing


def _pack(numbers: NDArray[np.int64], compressor: zstandard.ZstdCompressor) -> bytes:
    import numpy as np

    count = len(numbers)
    # Arithmetic modulo 2^64, so that no range of numbers overflows.
    unsigned = numbers.view(np.uint64)
    steps = np.diff(unsigned)
    if count < 2 or (steps == steps[0]).all():
        first = int(numbers[0]) if count else 0
        return _STEPS.pack(_LINEAR, count, first, int(steps.view(np.int64)[0]) if count > 1 else 0)
    candidates = []
    for kind, part in ((_OFFSET, unsigned), (_DELTA, steps)):
        least = int(part.view(np.int64).min())
        shifted = part - np.array(least, np.int64).view(np.uint64)
        most = int(shifted.max())
        width = next(w for w in (1, 2, 4, 8) if most < 1 << 8 * w)
        planes = shifted.astype(f"<u{width}").view(np.uint8).reshape(-1, width).T.tobytes()
        data = compressor.compress(planes)
        candidates.append(_PACKED.pack(kind, count, least, int(unsigned[0]), width, len(data)) + data)
    return min(candidates, key=len)


def _unpack(blob: bytes, offset: int, decompressor: zstandard.ZstdDecompressor) -> tuple[Any, int]:
    """One column of whole numbers and where the next begins; a small constant comes as int8."""
    import numpy as np

    if blob[offset] == _LINEAR:
        _, count, first, step = _STEPS.unpack_from(blob, offset)
        offset += _STEPS.size
        if step == 0:
            return np.full(count, first, np.int8 if -128 <= first < 128 else np.int64), offset
        even = np.arange(count, dtype=np.int64)
        even *= step
        even += first
        return even, offset
    kind, count, least, first, width, size = _PACKED.unpack_from(blob, offset)
    offset += _PACKED.size
    narrow = np.frombuffer(decompressor.decompress(blob[offset : offset + size]), np.uint8)
    if width > 1:
        narrow = np.ascontiguousarray(narrow.reshape(width, -1).T).view(f"<u{width}").ravel()
    numbers = np.empty(count, np.uint64)
    base = np.array(least, np.int64).view(np.uint64)
    if kind == _DELTA:
        numbers[0] = first
        np.add(narrow, base, out=numbers[1:])
        np.cumsum(numbers, out=numbers)
    else:
        np.add(narrow, base, out=numbers)
    return numbers.view(np.int64), offset + size
