"""Recorded readings from CSV files, in order of arrival, with times made sound.

Header `time,tank,quantity,value`; `time` is RFC 3339; an empty `value` is a probe fault. The further columns
of `rushlight export` are left out: everything is judged anew. A row that can't be read is reported with its
file and line and left out; the rest counts.
"""

from __future__ import annotations

import csv
import heapq
import io
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from itertools import repeat
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING

from rushlight.analysis.replay.columns import Columns, columns_of
from rushlight.analysis.replay.sound_times import Complain, RecordedRow, SoundTimes, sound_times
from rushlight.collector.errors import ReplayError

if TYPE_CHECKING:
    from _csv import Reader as CsvReader

__all__ = ["HEADER", "RecordedRow", "read_parts", "read_rows", "sound_times"]

HEADER = ["time", "tank", "quantity", "value"]
EXPORTED = [*HEADER, "flag", "seq", "stamp"]
_SECONDS = {f":{second:02d}Z": second * 1000 for second in range(60)}  # what the commonest times end in
_BLANK = ("", "\n", "\r\n", "\r")
_ODD = b'\0"'
_BLOCK = 1 << 19  # characters, some 12,000 rows
_STEP = 15_000  # rows, from one word of the progress to the next


def read_rows(
    paths: Sequence[str | Path], complain: Complain, progress: Callable[[int], None] | None = None
) -> Iterator[RecordedRow]:
    """Rows of all files; several files are merged by time.

    Raises
    ------
    ReplayError
        If a file is missing or has another header.
    """
    for part in read_parts(paths, complain, progress):
        yield from part.rows() if isinstance(part, Columns) else part


def read_parts(
    paths: Sequence[str | Path], complain: Complain, progress: Callable[[int], None] | None = None
) -> Iterator[Columns | Iterator[RecordedRow]]:
    """The same in parts: a block of plain rows by columns, and rows one by one of all else.

    Each part is to be taken whole before the next is asked for. Raises what `read_rows` does.
    """
    sound = SoundTimes(complain)
    count = _Count(progress)
    if len(paths) == 1:
        for part in _parts(Path(paths[0]), complain):
            if isinstance(part, Columns):
                count.add(len(part.values))
                yield part if sound.whole(*part.span_ms()) else sound.rows(part.rows())
            else:
                yield sound.rows(count.counted(part))
    else:
        each = [count.counted(_rows(Path(path), complain)) for path in paths]
        yield sound.rows(heapq.merge(*each, key=itemgetter(0)))
    count.end()
    yield sound.rest()


class _Count:
    """Tells a caller how many rows were read, now and then."""

    def __init__(self, progress: Callable[[int], None] | None) -> None:
        self._progress = progress
        self._waiting = 0

    def add(self, rows: int) -> None:
        self._waiting += rows
        if self._waiting >= _STEP:
            self.end()

    def end(self) -> None:
        if self._progress is not None:
            self._progress(self._waiting)
        self._waiting = 0

    def counted(self, rows: Iterator[RecordedRow]) -> Iterator[RecordedRow]:
        if self._progress is None:
            yield from rows
            return
        for row in rows:
            yield row
            self.add(1)


def _rows(path: Path, complain: Complain) -> Iterator[RecordedRow]:
    for part in _parts(path, complain):
        yield from part.rows() if isinstance(part, Columns) else part


def _parts(path: Path, complain: Complain) -> Iterator[Columns | Iterator[RecordedRow]]:
    """One file's rows; their times are as they were written."""
    try:
        file = path.open(encoding="utf-8", errors="replace", newline="")
    except OSError as error:
        raise ReplayError(f"{path}: can't be opened ({error.strerror}); check the name") from None
    with file:
        odd = _odd_bytes(path)
        reader = csv.reader(_without_nul(file) if b"\0" in odd else file)
        header = _known_header(next(reader, []), path)
        one = _OneByOne(path, complain, header == HEADER)
        if odd:
            yield one.rows(reader, reader)
        else:  # no field is quoted: splitting takes half the time
            number = 2
            while text := file.read(_BLOCK):
                text += file.readline()
                columns = columns_of(text, len(header), one.milliseconds)
                if columns is not None:
                    number += len(columns.values)
                    yield columns
                    continue
                lines = list(io.StringIO(text, newline=""))
                yield one.rows(map(str.split, lines, repeat(",")), number)
                number += len(lines)
        one.sum_up()


class _OneByOne:
    """Reads rows of one file that are already split; reports what can't be read by its line."""

    def __init__(self, path: Path, complain: Complain, short: bool) -> None:
        self.milliseconds = _Times().milliseconds
        self._path = path
        self._complain = complain
        self._short = short
        self._bad = 0

    def rows(self, rows: Iterator[list[str]], number: int | CsvReader) -> Iterator[RecordedRow]:
        """`number`: that of the first line, or the reader, which knows at which line it is."""
        short, isfinite, milliseconds = self._short, math.isfinite, self.milliseconds
        last_text = ""
        last_ms = 0
        value: float | None
        at_end = False
        first = number if isinstance(number, int) else 0
        while not at_end:
            try:
                for line, row in enumerate(rows, first):
                    try:
                        text, tank, quantity, value_text = row if short else _first_four(row)
                        if text != last_text:
                            last_ms = milliseconds((text,))[text]
                            last_text = text
                        if value_text not in _BLANK:
                            value = float(value_text)
                            if not isfinite(value):
                                raise ValueError(f"{value_text.rstrip()} is no number")
                        else:
                            value = None
                    except ValueError as error:
                        self._left_out(row, error, line if isinstance(number, int) else number.line_num)
                        continue
                    yield last_ms, tank, quantity, value, False
                at_end = True
            except csv.Error as error:
                line = 0 if isinstance(number, int) else number.line_num
                self._complain(f"{self._path}, line {line}: {error}; left out")

    def _left_out(self, row: list[str], error: ValueError, line: int) -> None:
        row = _without_end(row)
        if not row:
            return
        self._bad += 1
        if self._bad <= 20:
            self._complain(f"{self._path}, line {line}: {_why(row, error)}; the row is left out")

    def sum_up(self) -> None:
        if self._bad > 20:
            self._complain(f"{self._path}: {self._bad} rows were left out in all")


def _known_header(first_row: list[str], path: Path) -> list[str]:
    """The columns of a file, by its header."""
    header = [name.strip().lstrip("\ufeff") for name in first_row]
    if header not in (HEADER, EXPORTED):
        raise ReplayError(
            f"{path}, line 1: the header must be {','.join(HEADER)!r}, not {','.join(header)!r}"
        )
    return header


def _without_end(row: list[str]) -> list[str]:
    """A row without its line's end, which splitting leaves on it; empty for a blank line."""
    row = [*row[:-1], *(field.rstrip("\r\n") for field in row[-1:])]
    return [] if row == [""] else row


def _first_four(row: list[str]) -> list[str]:
    return row[:4] if len(row) == len(EXPORTED) else row


def _odd_bytes(path: Path) -> bytes:
    """What a file has of NUL and quotes, looked for once, in whole blocks: most files have neither.

    A torn write leaves runs of NUL.
    """
    if not path.is_file():
        return _ODD  # a pipe can be read only once
    found = set[int]()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            found.update(byte for byte in _ODD if byte in block)
    return bytes(found)


def _without_nul(lines: Iterator[str]) -> Iterator[str]:
    for line in lines:
        yield line.replace("\0", "") if "\0" in line else line


class _Times:
    """Times of one file: within a minute only the seconds are read, since reading a date takes longest."""

    __slots__ = ("_minute", "_minute_ms")

    def __init__(self) -> None:
        self._minute = ""
        self._minute_ms = 0

    def milliseconds(self, texts: Iterable[str]) -> dict[str, int]:
        """UTC, ms, by its text; ValueError where one is no RFC 3339 time."""
        minute, minute_ms = self._minute, self._minute_ms
        found: dict[str, int] = {}
        for text in texts:
            seconds = _SECONDS.get(text[16:])
            if seconds is None:
                found[text] = _milliseconds(text)
                continue
            if text[:16] != minute:
                minute_ms = _milliseconds(text) - seconds
                minute = text[:16]
            found[text] = minute_ms + seconds
        self._minute, self._minute_ms = minute, minute_ms
        return found


def _milliseconds(text: str) -> int:
    if text.endswith("z"):  # RFC 3339 allows it
        text = text[:-1] + "Z"
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"time {text!r} has no offset from UTC; write Z or +01:00 behind it")
    return round(moment.timestamp() * 1000)


def _why(row: list[str], error: ValueError) -> str:
    most = csv.field_size_limit()
    if any(len(field) > most for field in row):
        return f"field larger than field limit ({most})"
    if len(row) != 4:
        return f"{len(row)} fields where 4 are wanted"
    if "could not convert" in str(error):
        return f"value {row[3]!r} is no number"
    return str(error)
