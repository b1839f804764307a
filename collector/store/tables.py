"""Readings out to CSV and Parquet, and back in: the same data, flags, numbers and stamps included.

A CSV holds `time,tank,quantity,value,flag,seq,stamp`, times in RFC 3339 with milliseconds. The last three may
be left out when reading, so the recorded files of `rushlight replay` are taken too.
"""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path

from collector.errors import ReplayError, StoreError
from collector.readings import QUANTITIES, Flag, Reading
from collector.store.rows import ReadingRows

__all__ = ["export_csv", "export_parquet", "import_csv", "import_parquet"]

_COLUMNS = ("time", "tank", "quantity", "value", "flag", "seq", "stamp")
_NEEDED = 4
_BATCH = 10_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


def export_csv(
    store: ReadingRows,
    path: str | os.PathLike[str],
    tank: str | None = None,
    start_ms: int | None = None,
    end_ms: int | None = None,
) -> int:
    """Write readings, series by series, each by time; returns how many.

    Raises
    ------
    StoreError
        The file can't be written; one already there is left as it was.
    """
    count = 0
    with _whole_file(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(_COLUMNS)
        for reading in _all(store, tank, start_ms, end_ms):
            writer.writerow(
                (
                    _text(reading.time_ms),
                    reading.tank,
                    reading.quantity,
                    "" if reading.value is None else repr(reading.value),
                    reading.flag,
                    reading.seq,
                    reading.stamp,
                )
            )
            count += 1
    return count


def import_csv(store: ReadingRows, path: str | os.PathLike[str]) -> int:
    """Add the readings of a CSV; those that are there already are left alone. Returns how many were new.

    Raises
    ------
    ReplayError
        A line can't be read; the message names file and line. Batches before it stay imported.
    StoreFull, StoreError
        As `add_readings`.
    """
    return _add(store, _read_csv(Path(path)))


def export_parquet(
    store: ReadingRows,
    path: str | os.PathLike[str],
    tank: str | None = None,
    start_ms: int | None = None,
    end_ms: int | None = None,
) -> int:
    """As `export_csv`, to Parquet: time as UTC milliseconds, a missing value as null."""
    import numpy as np
    import pyarrow as pa
    from pyarrow import parquet

    name = pa.dictionary(pa.int32(), pa.string())
    types = (pa.timestamp("ms", "UTC"), name, name, pa.float64(), pa.int64(), pa.int64(), pa.int64())
    schema = pa.schema(list(zip(_COLUMNS, types, strict=True)))
    count = 0
    plain = {"time": "DELTA_BINARY_PACKED", "seq": "DELTA_BINARY_PACKED"}
    with (
        _whole_file(path) as part,
        parquet.ParquetWriter(
            part,
            schema,
            compression="zstd",
            use_dictionary=["tank", "quantity", "value", "flag", "stamp"],
            column_encoding=plain,
        ) as writer,
    ):
        for of in _tanks(store, tank):
            for quantity in store.quantities(of):
                columns = store.columns(of, quantity, start_ms, end_ms)
                length = len(columns.time_ms)
                times = columns.time_ms.view("datetime64[ms]")
                names = [
                    pa.array([text] * length, pa.string()).dictionary_encode() for text in (of, quantity)
                ]
                value = pa.array(columns.value, mask=np.isnan(columns.value))
                rest = (columns.flag, columns.seq, columns.stamp)
                arrays = [pa.array(times).cast(types[0]), *names, value]
                arrays += [pa.array(column, pa.int64()) for column in rest]
                writer.write_table(pa.Table.from_arrays(arrays, schema=schema), row_group_size=1 << 20)
                count += length
    return count


def import_parquet(store: ReadingRows, path: str | os.PathLike[str]) -> int:
    """As `import_csv`, from Parquet."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        with parquet.ParquetFile(path) as file:
            missing = [name for name in _COLUMNS[:_NEEDED] if name not in file.schema_arrow.names]
            if missing:
                raise ReplayError(f"{path}: has no column {missing[0]!r}; it needs {', '.join(_COLUMNS)}")
            return _add(store, _read_parquet(file))
    except (OSError, pa.ArrowException) as error:
        raise ReplayError(f"{path}: can't be read as Parquet ({error}); check the file") from error


def _read_parquet(file: object) -> Iterator[Reading]:
    import pyarrow as pa

    for batch in file.iter_batches(_BATCH):  # type: ignore[attr-defined]
        have = batch.schema.names
        times = batch.column("time").cast(pa.timestamp("ms", "UTC")).cast(pa.int64()).to_pylist()
        filled = [
            batch.column(name).to_pylist() if name in have else [default] * len(times)
            for name, default in zip(
                _COLUMNS[1:], ("", "", None, int(Flag.NOT_EVALUATED), -1, 0), strict=True
            )
        ]
        for time_ms, tank, quantity, value, *rest in zip(times, *filled, strict=True):
            yield Reading(tank, quantity, time_ms, value, *rest)


def _read_csv(path: Path) -> Iterator[Reading]:
    try:
        file = path.open(encoding="utf-8", newline="")
    except OSError as error:
        raise ReplayError(f"{path}: can't be read ({error.strerror}); check the name") from error
    with file:
        lines = csv.reader(file, strict=True)
        try:
            header = tuple(next(lines, ()))
            if header not in (_COLUMNS[:_NEEDED], _COLUMNS):
                raise ReplayError(
                    f"{path}:1: the header must be {','.join(_COLUMNS)}, the last three optional"
                )
            for fields in lines:
                if len(fields) != len(header):
                    raise ValueError(f"has {len(fields)} fields instead of {len(header)}")
                yield _reading(fields)
        except (ValueError, OverflowError, csv.Error) as error:
            raise ReplayError(f"{path}:{lines.line_num}: {error}; mend or remove the line") from error


def _reading(fields: list[str]) -> Reading:
    time, tank, quantity, value, *rest = fields
    moment = datetime.fromisoformat(time)
    if moment.tzinfo is None:
        raise ValueError(f"time {time!r} has no offset (write 2026-03-01T02:14:10Z)")
    if quantity not in QUANTITIES:
        raise ValueError(f"unknown quantity {quantity!r} (known: {', '.join(QUANTITIES)})")
    if not tank:
        raise ValueError("tank is empty")
    number = float(value) if value else None
    if number is not None and math.isnan(number):
        raise ValueError("value is not a number (leave it empty for a probe that could not be read)")
    time_ms = (moment - _EPOCH) // _MILLISECOND  # whole numbers: a double would round
    return Reading(tank, quantity, time_ms, number, *(int(text) for text in rest))


def _add(store: ReadingRows, readings: Iterator[Reading]) -> int:
    new = 0
    while batch := list(islice(readings, _BATCH)):
        new += store.add_readings(batch)
    return new


def _tanks(store: ReadingRows, tank: str | None) -> Iterable[str]:
    return store.tanks() if tank is None else (tank,)


def _all(store: ReadingRows, tank: str | None, start_ms: int | None, end_ms: int | None) -> Iterator[Reading]:
    for of in _tanks(store, tank):
        for quantity in store.quantities(of):
            yield from store.readings(of, quantity, start_ms, end_ms)


def _text(time_ms: int) -> str:
    moment = _EPOCH + time_ms * _MILLISECOND
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


@contextmanager
def _whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A file beside `path` that takes its place when all is written."""
    part = Path(f"{os.fspath(path)}.part")
    try:
        yield part
        part.replace(path)
    except OSError as error:
        raise StoreError(
            f"{path}: can't be written ({error.strerror or error}); check folder and room"
        ) from error
    finally:
        part.unlink(missing_ok=True)
