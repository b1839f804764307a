"""A block of recorded rows by columns: where every row of it is plain, it is read without looking at each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rushlight.analysis.replay.sound_times import RecordedRow

__all__ = ["Columns", "columns_of"]

_END = "\n"


class Columns(NamedTuple):
    """Readable rows of one tank, in order of time.

    Attributes
    ----------
    tank : str
    quantities : list of str
        Those that are there, each once.
    of : array of int
        Of each row, the place of its quantity in `quantities`.
    times_ms : array of int
        UTC; not decreasing.
    values : array of float
        NaN where there is none.
    """

    tank: str
    quantities: list[str]
    of: NDArray[np.int64]
    times_ms: NDArray[np.int64]
    values: NDArray[np.float64]

    def span_ms(self) -> tuple[int, int, int]:
        """First and last time (UTC), and the longest from one row to the next."""
        times_ms = self.times_ms
        return int(times_ms[0]), int(times_ms[-1]), int(np.diff(times_ms, append=times_ms[-1]).max())

    def rows(self) -> Iterator[RecordedRow]:
        """The same one by one."""
        tank, quantities = self.tank, self.quantities
        lists = self.times_ms.tolist(), self.of.tolist(), self.values.tolist()
        for time_ms, place, value in zip(*lists, strict=True):
            yield time_ms, tank, quantities[place], value if value == value else None, False


def columns_of(
    text: str, width: int, milliseconds: Callable[[Iterable[str]], dict[str, int]]
) -> Columns | None:
    """The rows of a text of whole lines; None where one of them is not plain: it is for the long way then.

    Parameters
    ----------
    text : str
        No field of it is quoted.
    width : int
        How many fields a row has: time, tank, quantity, value, and others that don't count.
    milliseconds : callable
        Times (ms UTC) by their texts; ValueError where one is none.
    """
    if "\r" in text:
        text = text.replace("\r\n", _END)
        if "\r" in text:
            return None
    if not text.endswith(_END):
        text += _END
    # an end of line becomes a field of its own: a row that has more or fewer fields moves it from its place
    fields = text.replace(_END, ",\n,").split(",")
    fields.pop()  # behind the last end
    whole = width + 1
    count, rest = divmod(len(fields), whole)
    if rest or fields[width::whole].count(_END) != count:
        return None
    tanks, names = fields[1::whole], fields[2::whole]
    tank = tanks[0]
    if tanks.count(tank) != count:
        return None
    try:
        texts = fields[0::whole]
        times_ms = np.fromiter(map(milliseconds(dict.fromkeys(texts)).__getitem__, texts), np.int64, count)
        values = _values(fields[3::whole])
    except (ValueError, OverflowError):
        return None
    if values is None or np.any(np.diff(times_ms) < 0):
        return None
    places = {name: place for place, name in enumerate(dict.fromkeys(names))}
    of = np.fromiter(map(places.__getitem__, names), np.int64, count)
    return Columns(tank, list(places), of, times_ms, values)


def _values(texts: list[str]) -> NDArray[np.float64] | None:
    """None where one is no finite number; ValueError where one is no number at all."""
    blank = texts.count("")
    # a sensor knows few values, and reading a number takes longer than looking it up
    known = {text: float(text or "nan") for text in dict.fromkeys(texts)}
    values = np.fromiter(map(known.__getitem__, texts), np.float64, len(texts))
    return values if len(texts) - np.count_nonzero(np.isfinite(values)) == blank else None
