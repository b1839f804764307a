"""A block of recorded rows by columns: where every row of it is plain, it is read without looking at each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rushlight.analysis.replay.sound_times import RecordedRow

__all__ = ["Columns", "columns_of"]

_WORD = 8  # letters that are compared at once
_MASKS = np.frombuffer(b"".join(bytes([255] * n + [0] * (_WORD - n)) for n in range(_WORD + 1)), np.uint64)
_MOST_NAMES = 20  # of tanks or quantities in a plain block
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]
Floats = NDArray[np.float64]


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
    of: Ints
    times_ms: Ints
    values: Floats

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
    if "\r" in text:  # to look for one letter is quicker
        text = text.replace("\r\n", "\n")
    if "\r" in text or not text.isascii():
        return None
    table = _Table(text if text.endswith("\n") else text + "\n", width)
    if not table.whole():
        return None
    try:
        (tank,) = table.names(1)[0]
        times_ms, values = table.times_ms(0, milliseconds), table.numbers(3)
    except (ValueError, OverflowError):
        return None
    if values is None or np.any(np.diff(times_ms) < 0):
        return None
    quantities, of = table.names(2)
    return Columns(tank, quantities, of, times_ms, values)


class _Table:
    """Fields of a text of ASCII letters by their places in it: most are compared, and never made strings."""

    def __init__(self, text: str, width: int) -> None:
        self._text = text
        # room behind the end, so that a short field may be looked at as if it were long
        self._letters = letters = np.frombuffer(text.encode() + bytes(20), np.uint8)
        # the eight letters from each place on, as one number
        self._words: Words = np.ndarray(len(letters) - _WORD + 1, np.uint64, letters, strides=(1,))
        ends = np.flatnonzero((letters == ord(",")) | (letters == ord("\n")))
        self._whole = not len(ends) % width
        rows = ends[: len(ends) // width * width].reshape(-1, width)
        newline = letters[rows] == ord("\n")
        self._whole &= bool(newline[:, -1].all()) and not newline[:, :-1].any()
        self._begins = np.append(0, rows.ravel() + 1)[:-1].reshape(rows.shape)
        self._ends = rows

    def whole(self) -> bool:
        """Whether each row has as many fields as it should."""
        return self._whole

    def _word(self, begins: Ints, lengths: Ints) -> Words:
        """Up to eight letters as one number; 0 behind the field's end."""
        mask = _MASKS[np.clip(lengths, 0, _WORD)]
        return self._words[np.minimum(begins, len(self._words) - 1)] & mask

    def _fields(self, column: int) -> tuple[Ints, Ints]:
        """Where each begins, and its length."""
        begins = self._begins[:, column]
        return begins, self._ends[:, column] - begins

    def _texts(self, column: int, rows: Ints) -> list[str]:
        begins, ends = self._begins[rows, column].tolist(), self._ends[rows, column].tolist()
        return [self._text[begin:end] for begin, end in zip(begins, ends, strict=True)]

    def times_ms(self, column: int, milliseconds: Callable[[Iterable[str]], dict[str, int]]) -> Ints:
        """Of each row. What rows behind each other have in common is read once."""
        begins, lengths = self._fields(column)
        # 2026-03-01T02:00:30Z: within an hour only minutes and seconds differ
        colon, zulu = self._letters[begins + 16] == ord(":"), self._letters[begins + 19] == ord("Z")
        minutes, seconds = self._sixtieths(begins + 14), self._sixtieths(begins + 17)
        alike, in_hour_ms = 14, (60 * minutes + seconds) * 1000
        if not ((lengths == 20) & colon & zulu & (minutes >= 0) & (seconds >= 0)).all():
            alike, in_hour_ms = int(lengths.max()), np.zeros(len(begins), np.int64)
        new = np.diff(lengths, prepend=-1) != 0
        compared = np.minimum(lengths, alike)
        for place in range(0, alike, _WORD):
            word = self._word(begins + place, compared - place)
            new[1:] |= word[1:] != word[:-1]
        rows = np.flatnonzero(new)
        texts = self._texts(column, rows)
        known = milliseconds(texts)
        found_ms = np.array([known[text] for text in texts], np.int64) - in_hour_ms[rows]
        times_ms: Ints = found_ms.take(np.cumsum(new) - 1) + in_hour_ms
        return times_ms

    def _sixtieths(self, places: Ints) -> Ints:
        """Minutes or seconds of two digits; below 0 where they are none."""
        tens, ones = (self._letters[at].astype(np.int64) - ord("0") for at in (places, places + 1))
        return np.where((tens >= 0) & (tens < 6) & (ones >= 0) & (ones < 10), 10 * tens + ones, -1)

    def names(self, column: int) -> tuple[list[str], Ints]:
        """The different texts, in the order of their first row; and of each row, which it is."""
        begins, lengths = self._fields(column)
        words = [self._word(begins + place, lengths - place) for place in range(0, int(lengths.max()), _WORD)]
        of = np.full(len(begins), -1)
        found: list[str] = []
        while len(left := np.flatnonzero(of < 0)):
            first = left[0]
            same = lengths == lengths[first]
            for word in words:
                same &= word == word[first]
            of[same] = len(found)
            found += self._texts(column, left[:1])
            if len(found) > _MOST_NAMES:
                raise ValueError("too many names for a plain block")
        return found, of

    def numbers(self, column: int) -> Floats | None:
        """Of each row, NaN for an empty field; None where one is no finite number, ValueError as `float`."""
        begins, lengths = self._fields(column)
        if lengths.max() > _WORD:
            texts = self._texts(column, np.arange(len(begins)))
            values = np.array([float(text or "nan") for text in texts])
        else:  # a sensor knows few values: each is read once
            of_rows = self._word(begins, lengths)
            words = np.unique(of_rows)
            places = np.searchsorted(words, of_rows)
            texts = [letters.decode() for letters in words.view(f"S{_WORD}").tolist()]
            values = np.array([float(text or "nan") for text in texts])[places]
        finite = np.count_nonzero(np.isfinite(values))
        return values if finite == np.count_nonzero(lengths) else None
