"""Readings out to CSV and Parquet, and back in: the same data, flags, numbers and stamps included.

A CSV holds `time,tank,quantity,value,flag,seq,stamp`, times in RFC 3339 with milliseconds, by time, as
`rushlight replay` takes it. The last three may be left out when reading, so recorded files are taken too.
A Parquet file holds the same columns, series by series, half a month in a row group.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Container, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import TextIO

from rushlight.collector.errors import ReplayError, StoreError
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.recorded_rows import row_fault
from rushlight.collector.store.records import ReadingSource, in_time_order
from rushlight.collector.store.series import DAY_MS

__all__ = [
    "Lines",
    "export_csv",
    "export_parquet",
    "import_csv",
    "import_parquet",
    "time_text",
    "whole_file",
]

_COLUMNS = ("time", "tank", "quantity", "value", "flag", "seq", "stamp")
_NEEDED = 4
_BATCH = 10_000
_PACKED_EACH = 500_000  # imported readings, so that a year of them is never all rows
_SPAN_MS = 15 * DAY_MS
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


def export_csv(
    store: ReadingSource,
    path: str | os.PathLike[str],
    tank: str | None = None,
    start_ms: int | None = None,
    end_ms: int | None = None,
    quantities: Container[str] | None = None,
) -> int:
    """Write readings by time; returns how many. `start_ms <= time < end_ms`; None: all there is.

    Raises
    ------
    StoreError
        The file can't be written; one already there is left as it was.
    """
    count = 0
    with whole_file(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(Lines(file))
        writer.writerow(_COLUMNS)
        for reading in in_time_order(store, None if tank is None else [tank], start_ms, end_ms, quantities):
            writer.writerow(
                (
                    time_text(reading.time_ms),
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


def import_csv(store: EmbeddedStore, path: str | os.PathLike[str], latest_ms: int | None = None) -> int:
    """Add the readings of a CSV; those that are there already are left alone. Returns how many were new.

    A row may say what a device may say (`row_fault`); a time after `latest_ms` is refused.

    Raises
    ------
    ReplayError
        A line can't be read; the message names file and line. Batches before it stay imported.
    StoreFull, StoreError
        As `add_readings`.
    """
    return _add(store, _read_csv(Path(path), latest_ms))


def export_parquet(
    store: ReadingSource,
    path: str | os.PathLike[str],
    tank: str | None = None,
    start_ms: int | None = None,
    end_ms: int | None = None,
    quantities: Container[str] | None = None,
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
        whole_file(path) as part,
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
                if quantities is not None and quantity not in quantities:
                    continue
                for first_ms, last_ms in _spans(store, of, quantity, start_ms, end_ms):
                    columns = store.columns(of, quantity, first_ms, last_ms)
                    length = len(columns.time_ms)
                    if not length:
                        continue
                    times = columns.time_ms.view("datetime64[ms]")
                    one = np.zeros(length, np.int32)
                    names = [pa.DictionaryArray.from_arrays(one, [text]) for text in (of, quantity)]
                    value = pa.array(columns.value, mask=np.isnan(columns.value))
                    rest = (columns.flag, columns.seq, columns.stamp)
                    arrays = [pa.array(times).cast(types[0]), *names, value]
                    arrays += [pa.array(column, pa.int64()) for column in rest]
                    writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
                    count += length
                    pa.default_memory_pool().release_unused()
    return count


def import_parquet(store: EmbeddedStore, path: str | os.PathLike[str], latest_ms: int | None = None) -> int:
    """As `import_csv`, from Parquet."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        with parquet.ParquetFile(path) as file:
            missing = [name for name in _COLUMNS[:_NEEDED] if name not in file.schema_arrow.names]
            if missing:
                raise ReplayError(f"{path}: has no column {missing[0]!r}; it needs {', '.join(_COLUMNS)}")
            return _add(store, _read_parquet(file, path, latest_ms))
    except (OSError, pa.ArrowException) as error:
        raise ReplayError(f"{path}: can't be read as Parquet ({error}); check the file") from error


def _read_parquet(file: object, path: str | os.PathLike[str], latest_ms: int | None) -> Iterator[Reading]:
    import pyarrow as pa

    types = (pa.string(), pa.string(), pa.float64(), pa.int64(), pa.int64(), pa.int64())
    defaults = ("", "", None, int(Flag.NOT_EVALUATED), -1, 0)
    row = 0
    for batch in file.iter_batches(_BATCH):  # type: ignore[attr-defined]
        have = batch.schema.names
        time = batch.column("time")
        if pa.types.is_timestamp(time.type) and time.type.tz is None:
            raise ReplayError(f"{path}: its times have no time zone; write them with one, such as UTC")
        # what is finer than a millisecond is cut off, as in a CSV
        times = time.cast(pa.timestamp("ms", "UTC"), safe=False).cast(pa.int64()).to_pylist()
        filled = [
            [default if one is None else one for one in batch.column(name).cast(type_).to_pylist()]
            if name in have
            else [default] * len(times)
            for name, type_, default in zip(_COLUMNS[1:], types, defaults, strict=True)
        ]
        for time_ms, tank, quantity, value, *rest in zip(times, *filled, strict=True):
            row += 1
            why = (
                "time is empty"
                if time_ms is None
                else row_fault(tank, quantity, time_ms, value, *rest, latest_ms=latest_ms)
            )
            if why is not None:
                raise ReplayError(f"{path}: row {row}: {why}; correct or remove the row")
            yield Reading(tank, quantity, time_ms, value, *rest)


def _read_csv(path: Path, latest_ms: int | None) -> Iterator[Reading]:
    try:
        file = path.open(encoding="utf-8-sig", newline="")  # spreadsheets write a byte order mark
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
                yield _reading(fields, latest_ms)
        except (ValueError, OverflowError, csv.Error) as error:
            raise ReplayError(f"{path}:{lines.line_num}: {error}; correct or remove the line") from error


def _reading(fields: list[str], latest_ms: int | None) -> Reading:
    time, tank, quantity, value, *rest = fields
    moment = datetime.fromisoformat(time)
    if moment.tzinfo is None:
        raise ValueError(f"time {time!r} has no offset (write 2026-03-01T02:14:10Z)")
    number = float(value) if value else None
    time_ms = (moment - _EPOCH) // _MILLISECOND  # whole numbers: a double would round
    more = [int(text) for text in rest]
    why = row_fault(tank, quantity, time_ms, number, *more, latest_ms=latest_ms)
    if why is not None:
        raise ValueError(why)
    return Reading(tank, quantity, time_ms, number, *more)


def _add(store: EmbeddedStore, readings: Iterator[Reading]) -> int:
    """In batches; what the analysis has not seen yet stays to be seen, what is imported is not new to it."""
    new = done = 0
    before = store.position()
    try:
        while batch := list(islice(readings, _BATCH)):
            new += store.add_readings(batch)
            done += len(batch)
            if not done % _PACKED_EACH:
                so_far = store.position()
                store.move_states(before, so_far)
                before = so_far
                store.compact(max(reading.time_ms for reading in batch))
    except ReplayError as error:
        raise ReplayError(f"{error}; {done} readings before it are in, so import the file again") from error
    finally:
        store.move_states(before, store.position())
        store.put_in_place()
    return new


def _spans(
    store: ReadingSource, tank: str, quantity: str, start_ms: int | None, end_ms: int | None
) -> Iterator[tuple[int, int]]:
    """Spans of half a month that hold a series, so that a year need not fit into memory."""
    first = next(iter(store.readings(tank, quantity, start_ms, end_ms)), None)
    last = store.latest(tank).get(quantity)
    if first is None or last is None:
        return
    end = last.time_ms + 1 if end_ms is None else min(end_ms, last.time_ms + 1)
    for at in range(first.time_ms, end, _SPAN_MS):
        yield at, min(at + _SPAN_MS, end)


def _tanks(store: ReadingSource, tank: str | None) -> Iterable[str]:
    return store.tanks() if tank is None else (tank,)


def time_text(time_ms: int) -> str:
    """RFC 3339 with milliseconds."""
    moment = _EPOCH + time_ms * _MILLISECOND
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Lines:
    """Lines that end with LF alone: csv quotes a CR in a name only where it belongs to a line's end."""

    def __init__(self, file: TextIO) -> None:
        self._file = file

    def write(self, line: str) -> int:
        return self._file.write(line[:-2] + "\n")


@contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A file beside `path` that takes its place when all is written; StoreError where that can't be."""
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
