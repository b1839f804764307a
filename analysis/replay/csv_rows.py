"""Recorded readings from CSV files, in order of arrival, with times made sound.

Header `time,tank,quantity,value`; `time` is RFC 3339; an empty `value` is a probe fault. The further columns
of `rushlight export` are left out: everything is judged anew. A row that can't be read is reported with its
file and line and left out; the rest counts.
"""

from __future__ import annotations

import csv
import heapq
import math
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import repeat
from operator import itemgetter
from pathlib import Path

from rushlight.collector.errors import ReplayError

__all__ = ["HEADER", "RecordedRow", "read_rows", "sound_times"]

HEADER = ["time", "tank", "quantity", "value"]
EXPORTED = [*HEADER, "flag", "seq", "stamp"]
UNIX_CLOCK_MS = 31_536_000_000  # 1970 and earlier, and
UNSET_MS = 946_684_800_000, 949_363_200_000  # January 2000: where unset clocks of boards begin
BEHIND_MS = 366 * 86_400_000
LEAP_MS = 6 * 3_600_000
_SECONDS = {f":{second:02d}Z": second * 1000 for second in range(60)}  # what the commonest times end in
_BLANK = ("", "\n", "\r\n", "\r")
_ODD = b'\0"'
LARGEST_REPORT = 16  # rows; beyond it the clock does not move and its time is all there is

Complain = Callable[[str], None]


# Time in ms, tank, quantity, value, arrival: True where the time was not sound and that of the row before
# is used in its place. A plain tuple, because millions are made.
RecordedRow = tuple[int, str, str, float | None, bool]


def read_rows(
    paths: Sequence[str | Path], complain: Complain, progress: Callable[[int], None] | None = None
) -> Iterator[RecordedRow]:
    """Rows of all files; several files are merged by time.

    Raises
    ------
    ReplayError
        If a file is missing or has another header.
    """
    streams = [_read_one(Path(path), complain) for path in paths]
    if progress is not None:
        streams = [_counted(stream, progress) for stream in streams]
    merged = streams[0] if len(streams) == 1 else heapq.merge(*streams, key=itemgetter(0))
    return sound_times(merged, complain)


def _counted(rows: Iterator[RecordedRow], progress: Callable[[int], None]) -> Iterator[RecordedRow]:
    done = 0
    for done, row in enumerate(rows, 1):
        yield row
        if not done % 20_000:
            progress(20_000)
    progress(done % 20_000)


def _read_one(path: Path, complain: Complain) -> Iterator[RecordedRow]:
    try:
        file = path.open(encoding="utf-8", errors="replace", newline="")
    except OSError as error:
        raise ReplayError(f"{path}: can't be opened ({error.strerror}); check the name") from None
    with file:
        odd = _odd_bytes(path)
        reader = csv.reader(_without_nul(file) if b"\0" in odd else file)
        rows: Iterator[list[str]] = reader
        short = _is_short(next(reader, []), path)
        plain = short and not odd
        if plain:  # no field is quoted: splitting takes half the time
            rows = map(str.split, file, repeat(","))
        last_text = ""
        last_ms = 0
        bad = 0
        value: float | None
        isfinite, milliseconds = math.isfinite, _Times().milliseconds
        at_end = False
        while not at_end:
            try:
                for number, row in enumerate(rows, 2):
                    try:
                        text, tank, quantity, value_text = row if short else _first_four(row)
                        if text != last_text:
                            last_ms = milliseconds(text)
                            last_text = text
                        if value_text not in _BLANK:
                            value = float(value_text)
                            if not isfinite(value):
                                raise ValueError(f"{value_text.rstrip()} is no number")
                        else:
                            value = None
                    except ValueError as error:
                        row = _without_end(row)
                        if not row:
                            continue
                        bad += 1
                        if bad <= 20:
                            line = number if plain else reader.line_num
                            complain(f"{path}, line {line}: {_why(row, error)}; the row is left out")
                        continue
                    yield last_ms, tank, quantity, value, False
                at_end = True
            except csv.Error as error:
                complain(f"{path}, line {reader.line_num}: {error}; left out")
        if bad > 20:
            complain(f"{path}: {bad} rows were left out in all")


def _is_short(first_row: list[str], path: Path) -> bool:
    """Whether a file has the columns of a reading only, by its header."""
    header = [name.strip().lstrip("\ufeff") for name in first_row]
    if header not in (HEADER, EXPORTED):
        raise ReplayError(
            f"{path}, line 1: the header must be {','.join(HEADER)!r}, not {','.join(header)!r}"
        )
    return header == HEADER


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

    def milliseconds(self, text: str) -> int:
        """UTC, ms; ValueError where it is no RFC 3339 time."""
        seconds = _SECONDS.get(text[16:])
        if seconds is None:
            return _milliseconds(text)
        if text[:16] != self._minute:
            self._minute_ms = _milliseconds(text) - seconds
            self._minute = text[:16]
        return self._minute_ms + seconds


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


def sound_times(rows: Iterator[RecordedRow], complain: Complain) -> Iterator[RecordedRow]:
    """Replace times that can't be true.

    A time of 1970 or January 2000 (a clock that was never set), or one more than a year behind, becomes that
    of the row before; readings of any other year are taken as they are. A leap of more than six
    hours ahead is believed only when a row of another time agrees: after a real gap the readings go on
    from there, a broken clock's single stamp (one report, a row for each probe) does not.
    """
    latest = -1
    held: list[RecordedRow] = []
    warned = 0
    sound_ms: int | None = None  # the time of the row before, where that was taken as it is
    for row in rows:
        time_ms = row[0]
        if time_ms == sound_ms:  # of the same report
            yield row
            continue
        sound_ms = None
        if held:
            leapt_ms = held[0][0]
            if time_ms == leapt_ms and len(held) < LARGEST_REPORT:
                held.append(row)
                continue
            if abs(time_ms - leapt_ms) < LEAP_MS:
                latest = leapt_ms
                yield from held
            else:
                warned += 1
                if warned <= 5:
                    complain(
                        f"a report of {held[0][1]} lies {_ahead(leapt_ms - latest)} ahead of its "
                        "neighbours; it is taken as just arrived"
                    )
                for early in held:
                    yield _arrived(early, latest)
            held.clear()
        if _never_set(time_ms, latest):
            warned += 1
            if warned <= 5:
                year = datetime.fromtimestamp(max(time_ms, 0) / 1000, UTC).year
                complain(
                    f"a reading of {row[1]} has a time of {year}, as a clock that was never set; "
                    "it is taken as just arrived"
                )
            if latest >= 0:
                yield _arrived(row, latest)
            continue
        if time_ms > latest:
            if latest >= 0 and time_ms - latest > LEAP_MS:
                held.append(row)
                continue
            latest = time_ms
        sound_ms = time_ms
        yield row
    for row in held:  # whole reports at the end are a gap's other side, a lone row is not
        yield row if len(held) > 1 else _arrived(row, latest)


def _never_set(time_ms: int, latest: int) -> bool:
    unset = time_ms < UNIX_CLOCK_MS or UNSET_MS[0] <= time_ms < UNSET_MS[1]
    return unset or latest - time_ms > BEHIND_MS


def _arrived(row: RecordedRow, time_ms: int) -> RecordedRow:
    return time_ms, row[1], row[2], row[3], True


def _ahead(span_ms: int) -> str:
    days = span_ms / 86_400_000
    return f"{days:.0f} days" if days >= 2 else f"{span_ms / 3_600_000:.0f} hours"
