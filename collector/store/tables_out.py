"""The store's other tables as CSV: summaries by hour and day, and payloads that were set aside."""

from __future__ import annotations

import csv
import os
from collections.abc import Collection, Iterable
from typing import Literal

from rushlight.collector.safe_text import safe_text
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import Lines, time_text, whole_file

__all__ = ["export_set_aside", "export_summaries"]

_SUMMARY = ("time", "tank", "quantity", "number", "minimum", "mean", "maximum")
_SET_ASIDE = ("time", "link", "topic", "size", "reason", "payload")


def export_summaries(
    store: EmbeddedStore,
    path: str | os.PathLike[str],
    step: Literal["hourly", "daily"],
    tank: str | None = None,
    start_ms: int | None = None,
    end_ms: int | None = None,
    quantities: Collection[str] | None = None,
) -> int:
    """Write lowest, mean and highest of each hour or day (UTC), series by series; returns how many.

    Of days whose readings were dropped too. `number` is how many good readings went in; the three figures
    are in the quantity's unit, and empty where it is 0.

    Raises
    ------
    StoreError
        The file can't be written; one already there is left as it was.
    """
    return _write(
        path,
        _SUMMARY,
        (
            (time_text(one.start_ms), of, quantity, one.number, *map(_number, one[2:]))
            for of in (store.tanks() if tank is None else (tank,))
            for quantity in store.quantities(of)
            if quantities is None or quantity in quantities
            for one in store.summaries(of, quantity, start_ms, end_ms, step)
        ),
    )


def export_set_aside(store: EmbeddedStore, path: str | os.PathLike[str]) -> int:
    """Write the payloads that could not be read, the oldest first; returns how many.

    `payload` is the beginning (at most 4096 bytes) of what came in, as Python writes bytes; `size` is the
    whole one's, in bytes.

    Raises
    ------
    StoreError
        As `export_summaries`.
    """
    return _write(
        path,
        _SET_ASIDE,
        (
            (
                time_text(one.time_ms),
                safe_text(one.link),
                safe_text(one.topic),
                one.size,
                safe_text(one.reason),
                repr(one.payload_head),
            )
            for one in store.set_aside_rows()
        ),
    )


def _write(path: str | os.PathLike[str], header: tuple[str, ...], rows: Iterable[tuple[object, ...]]) -> int:
    count = 0
    with whole_file(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(Lines(file))
        writer.writerow(header)
        for row in rows:
            writer.writerow(row)
            count += 1
    return count


def _number(value: float | None) -> str:
    return "" if value is None else repr(value)
