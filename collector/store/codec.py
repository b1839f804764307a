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
from typing import TYPE_CHECKING, Any

from rushlight.collector.errors import StoreError
from rushlight.collector.store.columns import Columns

if TYPE_CHECKING:
    import numpy as np
    import zstandard
    from numpy.typing import NDArray

__all__ = ["decode", "decode_days", "encode"]

_FORMAT = 1
_HEAD = struct.Struct("<BIb")  # format, readings, decimals (-1: raw doubles)
_LINEAR, _OFFSET, _DELTA = 0, 1, 2
_COUNT = struct.Struct("<I")  # behind the kind, in both of the following
_STEPS = struct.Struct("<BIqq")  # kind, numbers, first, step
_PACKED = struct.Struct("<BIqQBI")  # kind, numbers, least number or difference, first, width, bytes
_LEVEL = 6  # 12 is a hundredth smaller and takes ten times as long
_DECIMALS = 9
_WHOLE = 2.0**53  # up to here doubles hold every whole number


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
    """Unpack what `encode` made; StoreError as in `decode_days`."""
    return decode_days([blob])


def decode_days(blobs: list[bytes]) -> Columns:
    """Unpack several days, given in order of time, as one.

    Raises
    ------
    StoreError
        The bytes are from a newer program, or damaged.
    """
    import numpy as np
    import zstandard

    heads = [_HEAD.unpack_from(blob) for blob in blobs]
    for form, _, _ in heads:
        if form != _FORMAT:
            raise StoreError(
                f"a stored day is in format {form}, this program knows {_FORMAT}; update the program"
            )
    # One block: from 4 MB on, numpy asks the system for large pages, which come sooner than many small ones.
    times, seqs, bits = np.empty((3, sum(count for _, count, _ in heads)), np.int64)
    values = bits.view(np.float64)
    flags, stamps = [np.empty(0, np.int8)], [np.empty(0, np.int8)]
    decompressor = zstandard.ZstdDecompressor()
    start = 0
    try:
        for blob, (_, count, decimals) in zip(blobs, heads, strict=True):
            day = slice(start, start + count)
            reader = _Reader(blob, decompressor)
            reader.read(times[day])
            flags.append(reader.read_small())
            reader.read(seqs[day])
            stamps.append(reader.read_small())
            _read_values(reader, values[day], decimals)
            start += count
    except (zstandard.ZstdError, struct.error, ValueError, IndexError) as error:
        raise StoreError(f"a stored day is damaged ({error}); restore a backup") from error
    return Columns(times, values, np.concatenate(flags), seqs, np.concatenate(stamps))


def _read_values(reader: _Reader, out: NDArray[np.float64], decimals: int) -> None:
    import numpy as np

    present = reader.read_small()
    count = reader.count()
    values = out if count == len(out) else np.empty(count)
    whole = values.view(np.int64)
    reader.read(whole)
    if decimals >= 0:
        values[:] = whole
        values /= 10.0**decimals
    places, odd_bits = np.empty((2, reader.count()), np.int64)
    reader.read(places)
    reader.read(odd_bits)
    values[places] = odd_bits.view(np.float64)
    if count < len(out):
        out.fill(np.nan)
        out[present.astype(bool)] = values


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


class _Reader:
    """The columns of one day, one after another."""

    def __init__(self, blob: bytes, decompressor: zstandard.ZstdDecompressor) -> None:
        self._blob = blob
        self._decompressor = decompressor
        self._offset = _HEAD.size

    def count(self) -> int:
        """How many numbers the next column has."""
        return int(_COUNT.unpack_from(self._blob, self._offset + 1)[0])

    def read(self, out: NDArray[np.int64]) -> None:
        """The next column into `out`, which must be as long."""
        import numpy as np

        if self.count() != len(out):
            raise ValueError("columns of different lengths")
        if self._blob[self._offset] == _LINEAR:
            _, count, first, step = self._head(_STEPS)
            if not count:
                return
            if step:
                np.multiply(np.arange(count), step, out=out)
                out += first
            else:
                out.fill(first)
            return
        kind, _, least, first, width, size = self._head(_PACKED)
        numbers = out.view(np.uint64)
        base = np.array(least, np.int64).view(np.uint64)
        if kind == _DELTA:
            numbers[0] = first
            np.add(self._narrow(width, size), base, out=numbers[1:])
            np.add.accumulate(numbers, out=numbers)  # cumsum, less its detours
        else:
            np.add(self._narrow(width, size), base, out=numbers)

    def read_small(self) -> NDArray[np.signedinteger[Any]]:
        """The next column, as int8 where it is a constant or in bytes and fits."""
        import numpy as np

        if self._blob[self._offset] == _LINEAR:
            _, count, first, step = _STEPS.unpack_from(self._blob, self._offset)
            if step == 0 and -128 <= first < 128:
                self._offset += _STEPS.size
                return np.full(count, first, np.int8)
        else:
            kind, _, least, _, width, size = _PACKED.unpack_from(self._blob, self._offset)
            if kind == _OFFSET and width == 1 and -128 <= least < 128:
                start = self._offset
                self._offset += _PACKED.size
                shifted = self._narrow(width, size)
                if least + int(shifted.max()) < 128:
                    return shifted.astype(np.int8) + np.int8(least)
                self._offset = start
        out = np.empty(self.count(), np.int64)
        self.read(out)
        return out

    def _head(self, layout: struct.Struct) -> tuple[int, ...]:
        head = layout.unpack_from(self._blob, self._offset)
        self._offset += layout.size
        return head

    def _narrow(self, width: int, size: int) -> NDArray[np.unsignedinteger[Any]]:
        """Numbers of so many bytes, whose planes lie one behind the other."""
        import numpy as np

        planes = self._decompressor.decompress(memoryview(self._blob)[self._offset : self._offset + size])
        self._offset += size
        numbers = np.frombuffer(planes, np.uint8)
        if width > 1:
            # plane by plane: far quicker than a transposed copy, whose inner loop is so short
            whole = np.empty((len(planes) // width, width), np.uint8)
            for place, plane in enumerate(numbers.reshape(width, -1)):
                whole[:, place] = plane
            return whole.view(f"<u{width}").ravel()
        return numbers
