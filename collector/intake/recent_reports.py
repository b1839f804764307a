"""Which reports of a tank were there: the last two thousand, by number and content, in little room.

Eight bytes a report, in a ring that is saved in pages: a batch writes only the pages it touched (half a
kilobyte), not the whole ring, also with hundreds of tanks. No clock comes into it.
"""

from __future__ import annotations

from collections.abc import Iterator
from struct import Struct

__all__ = ["PAGES", "REMEMBERED", "Remembered"]

# More than a broker may send again (links/mqtt.py: those unacknowledged), and what a board sends again.
REMEMBERED = 2048
_PAGE = 64
PAGES = REMEMBERED // _PAGE
_BYTES = 8
_PAGE_BYTES = _PAGE * _BYTES
_put = Struct(">Q").pack_into
_USED = 1 << 63  # set in each entry, so that an empty place equals none


class Remembered:
    """The last `REMEMBERED` reports.

    Parameters
    ----------
    count : int
        How many were ever put in.
    pages : dict
        Page number -> bytes, as `changed` gave them.
    """

    def __init__(self, count: int = 0, pages: dict[int, bytes] | None = None) -> None:
        self.count = count
        self._ring = bytearray(_BYTES * min(count, REMEMBERED))
        self._saved = count
        for page, blob in (pages or {}).items():
            start = page * _PAGE_BYTES
            room = len(self._ring) - start
            if 0 <= page < PAGES and room > 0:
                part = blob[: min(room, _PAGE_BYTES)]
                self._ring[start : start + len(part)] = part

    @property
    def oldest(self) -> int:
        """Place of the oldest one that is remembered."""
        return max(0, self.count - REMEMBERED)

    def add(self, mark: int) -> None:
        """Put one in; its place is `count` as it was before."""
        at = self.count % REMEMBERED * _BYTES
        if at == len(self._ring):
            self._ring += bytes(_BYTES)
        _put(self._ring, at, mark | _USED)
        self.count += 1

    def find(self, mark: int) -> int:
        """Place of the newest with this mark, -1 where there is none."""
        return self._newest((mark | _USED).to_bytes(_BYTES, "big"))

    def find_number(self, number: int) -> int:
        """Place of the newest whose upper half is `number`, -1 where there is none."""
        return self._newest((number | _USED >> 32).to_bytes(4, "big"))

    def count_number(self, number: int, oldest: int) -> int:
        """How many have `number` as their upper half, from place `oldest` on."""
        places = self._places((number | _USED >> 32).to_bytes(4, "big"))
        return sum(place >= oldest for place in places)

    def number(self, place: int) -> int:
        """Upper half of the mark at a place that is still remembered."""
        at = place % REMEMBERED * _BYTES
        return int.from_bytes(self._ring[at : at + 4], "big") & ~(_USED >> 32)

    def changed(self) -> list[tuple[int, bytes]]:
        """Pages that changed since the last call, to be saved in the transaction that saves `count`."""
        if self.count == self._saved:
            return []
        first, last = max(self._saved, self.oldest) // _PAGE, (self.count - 1) // _PAGE
        self._saved = self.count
        pages = [page % PAGES for page in range(max(first, last - PAGES + 1), last + 1)]
        return [(page, bytes(self._ring[page * _PAGE_BYTES : (page + 1) * _PAGE_BYTES])) for page in pages]

    def _newest(self, sought: bytes) -> int:
        return max(self._places(sought), default=-1)

    def _places(self, sought: bytes) -> Iterator[int]:
        at = self._ring.find(sought)
        while at >= 0:
            if at % _BYTES == 0:
                slot = at // _BYTES
                yield self.count - 1 - (self.count - 1 - slot) % REMEMBERED
            at = self._ring.find(sought, at + 1)
