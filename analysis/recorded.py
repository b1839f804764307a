"""Recorded readings from CSV files, in order of arrival, with times made sound.

Header `time,tank,quantity,value`; `time` is RFC 3339; an empty `value` is a probe fault. A row that can't be
read is reported with its file and line and left out; the rest counts.
"""

from __future__ import annotations

import csv
import heapq
import math
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from collector.errors import ReplayError

__all__ = ["HEADER", "RecordedRow", "read_rows", "sound_times"]

HEADER = ["time", "tank", "quantity", "value"]
EARLIEST_MS = 1_577_836_800_000  # 2020-01-01: before it, a device's clock was never set
LEAP_MS = 6 * 3_600_000

Complain = Callable[[str], None]


class RecordedRow(NamedTuple):
    """One row. `arrival` is True where the time was not sound and that of the row before stands for it."""

    time_ms: int
    tank: str
    quantity: str
    value: float | None
    arrival: bool = False


def read_rows(
    paths: Sequence[str | Path], complain: Complain, progress: Callable[[int], None] | None = None
) -> Iterator[RecordedRow]:
    """Rows of all files; several files are merged by time.

    Raises
    ------
    ReplayError
        If a file is missing or has another header.
    """
    streams = [_read_one(Path(path), complain, progress) for path in paths]
    merged = streams[0] if len(streams) == 1 else heapq.merge(*streams, key=lambda row: row.time_ms)
    return sound_times(merged, complain)


def _read_one(
    path: Path, complain: Complain, progress: Callable[[int], None] | None
) -> Iterator[RecordedRow]:
    try:
        file = path.open(encoding="utf-8", errors="replace", newline="")
    except OSError as error:
        raise ReplayError(f"{path}: can't be opened ({error.strerror}); check the name") from None
    with file:
        rows = csv.reader(_without_nul(file))
        header = [name.strip().lstrip("\ufeff") for name in next(rows, [])]
        if header != HEADER:
            raise ReplayError(
                f"{path}, line 1: the header must be {','.join(HEADER)!r}, not {','.join(header)!r}"
            )
        last_text = ""
        last_ms = 0
        done = 0
        bad = 0
        while True:
            try:
                row = next(rows)
            except StopIteration:
                break
            except csv.Error as error:
                complain(f"{path}, line {rows.line_num}: {error}; left out")
                continue
            try:
                text, tank, quantity, value_text = row
                if text != last_text:
                    last_ms = _milliseconds(text)
                    last_text = text
                value = float(value_text) if value_text else None
                if value is not None and not math.isfinite(value):
                    raise ValueError(f"{value_text} is no number")
            except ValueError as error:
                if not row:
                    continue
                bad += 1
                if bad <= 20:
                    complain(f"{path}, line {rows.line_num}: {_why(row, error)}; the row is left out")
                continue
            yield RecordedRow(last_ms, tank, quantity, value)
            done += 1
            if progress is not None and not done % 20_000:
                progress(20_000)
        if bad > 20:
            complain(f"{path}: {bad} rows were left out in all")
        if progress is not None:
            progress(done % 20_000)


def _without_nul(lines: Iterator[str]) -> Iterator[str]:
    for line in lines:
        yield line.replace("\0", "") if "\0" in line else line


def _milliseconds(text: str) -> int:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"time {text!r} has no offset from UTC; write Z or +01:00 behind it")
    return round(moment.timestamp() * 1000)


def _why(row: list[str], error: ValueError) -> str:
    if len(row) != 4:
        return f"{len(row)} fields where 4 are wanted"
    return str(error)


def sound_times(rows: Iterator[RecordedRow], complain: Complain) -> Iterator[RecordedRow]:
    """Replace times that can't be.

    A time before 2020 (a clock that was never set) becomes that of the row before. A leap of more than six
    hours ahead is believed only when the next row stands by it: after a real gap the readings go on from
    there, a broken clock's single stamp does not.
    """
    latest = -1
    waiting: RecordedRow | None = None
    told = 0
    for row in rows:
        time_ms = row.time_ms
        if waiting is not None:
            held = waiting
            waiting = None
            if abs(time_ms - held.time_ms) < LEAP_MS:
                latest = max(latest, held.time_ms)
                yield held
            else:
                told += 1
                if told <= 5:
                    complain(
                        f"a reading of {held.tank} lies {_ahead(held.time_ms - latest)} ahead of its "
                        "neighbours; it is taken as just arrived"
                    )
                yield held._replace(time_ms=latest, arrival=True)
        if time_ms < EARLIEST_MS:
            told += 1
            if told <= 5:
                complain(f"a reading of {row.tank} has a time before 2020; it is taken as just arrived")
            if latest >= 0:
                yield row._replace(time_ms=latest, arrival=True)
            continue
        if latest >= 0 and time_ms - latest > LEAP_MS:
            waiting = row
            continue
        if time_ms > latest:
            latest = time_ms
        yield row
    if waiting is not None:
        yield waiting._replace(time_ms=latest, arrival=True)


def _ahead(span_ms: int) -> str:
    days = span_ms / 86_400_000
    return f"{days:.0f} days" if days >= 2 else f"{span_ms / 3_600_000:.0f} hours"
