"""Readings of one series as columns: from and to rows and frames."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["Columns", "concatenate", "from_rows", "to_frame", "to_rows"]


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
    """One after another, each in order, then sorted by time and seq where they overlap."""
    import numpy as np

    parts = [part for part in parts if len(part.time_ms)]
    if not parts:
        return from_rows([])
    if len(parts) == 1:
        return parts[0]
    whole = Columns._make(np.concatenate(column) for column in zip(*parts, strict=True))
    if any(one.time_ms[-1] >= after.time_ms[0] for one, after in pairwise(parts)):
        order = np.lexsort((whole.seq, whole.time_ms))
        whole = Columns._make(column[order] for column in whole)
    return whole


def to_frame(columns: Columns) -> pd.DataFrame:
    """As a pandas frame: index `time` (UTC, ms), value (float64), flag (int8), seq (int64), stamp (int8)."""
    import pandas as pd

    times = columns.time_ms.view("datetime64[ms]")
    index = pd.DatetimeIndex(times, name="time", copy=False).tz_localize("UTC")
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
