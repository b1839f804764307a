"""Times of recorded rows that can't be true are replaced: a clock that was never set, a single leap ahead."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime

__all__ = ["Complain", "RecordedRow", "SoundTimes", "sound_times"]

UNIX_CLOCK_MS = 31_536_000_000  # 1970 and earlier, and
UNSET_MS = 946_684_800_000, 949_363_200_000  # January 2000: where unset clocks of boards begin
BEHIND_MS = 366 * 86_400_000
LEAP_MS = 6 * 3_600_000
LARGEST_REPORT = 16  # rows; beyond it the clock does not move and its time is all there is

Complain = Callable[[str], None]

# Time in ms, tank, quantity, value, arrival: True where the time was not sound and that of the row before
# is used in its place. A plain tuple, because millions are made.
RecordedRow = tuple[int, str, str, float | None, bool]


class SoundTimes:
    """Replaces times that can't be true, from one row to the next.

    A time of 1970 or January 2000 (a clock that was never set), or one more than a year behind, becomes that
    of the row before; readings of any other year are taken as they are. A leap of more than six
    hours ahead is believed only when a row of another time agrees: after a real gap the readings go on
    from there, a broken clock's single stamp (one report, a row for each probe) does not.
    """

    def __init__(self, complain: Complain) -> None:
        self._complain = complain
        self._latest = -1
        self._held: list[RecordedRow] = []
        self._warned = 0
        self._sound_ms: int | None = None  # the time of the row before, where that was taken as it is

    def whole(self, first_ms: int, last_ms: int, widest_ms: int) -> bool:
        """Whether rows in order of time are all taken as they are; then they count as given.

        Parameters
        ----------
        first_ms, last_ms : int
            Their first and last time, ms UTC.
        widest_ms : int
            The longest time from one of them to the next.
        """
        latest = self._latest
        if self._held or widest_ms > LEAP_MS or (first_ms - latest > LEAP_MS and latest >= 0):
            return False
        unset = first_ms < UNSET_MS[1] and (last_ms >= UNSET_MS[0] or first_ms < UNIX_CLOCK_MS)
        if unset or latest - first_ms > BEHIND_MS:
            return False
        self._latest = max(latest, last_ms)
        self._sound_ms = last_ms
        return True

    def rows(self, rows: Iterable[RecordedRow]) -> Iterator[RecordedRow]:
        """Rows with sound times; some may be kept back until the next are given, or to the end (`rest`)."""
        held = self._held
        sound_ms = self._sound_ms
        for row in rows:
            time_ms = row[0]
            if time_ms == sound_ms:  # of the same report
                yield row
                continue
            self._sound_ms = sound_ms = None
            if held:
                if time_ms == held[0][0] and len(held) < LARGEST_REPORT:
                    held.append(row)
                    continue
                yield from self._released(time_ms)
            latest = self._latest
            if _never_set(time_ms, latest):
                self._warn_unset(row)
                if latest >= 0:
                    yield _arrived(row, latest)
                continue
            if time_ms > latest:
                if latest >= 0 and time_ms - latest > LEAP_MS:
                    held.append(row)
                    continue
                self._latest = time_ms
            self._sound_ms = sound_ms = time_ms
            yield row

    def rest(self) -> Iterator[RecordedRow]:
        """What was kept back, at the end: whole reports are a gap's other side, a lone row is not."""
        for row in self._held:
            yield row if len(self._held) > 1 else _arrived(row, self._latest)

    def _released(self, time_ms: int) -> Iterator[RecordedRow]:
        """What was kept back, by the time of the row behind it."""
        held = self._held
        leapt_ms, before_ms = held[0][0], self._latest
        if abs(time_ms - leapt_ms) < LEAP_MS:
            self._latest = leapt_ms
            yield from held
        else:
            self._warned += 1
            if self._warned <= 5:
                self._complain(
                    f"a report of {held[0][1]} lies {_ahead(leapt_ms - before_ms)} ahead of its "
                    "neighbours; it is taken as just arrived"
                )
            for early in held:
                yield _arrived(early, before_ms)
        held.clear()

    def _warn_unset(self, row: RecordedRow) -> None:
        self._warned += 1
        if self._warned <= 5:
            year = datetime.fromtimestamp(max(row[0], 0) / 1000, UTC).year
            self._complain(
                f"a reading of {row[1]} has a time of {year}, as a clock that was never set; "
                "it is taken as just arrived"
            )


def sound_times(rows: Iterable[RecordedRow], complain: Complain) -> Iterator[RecordedRow]:
    """Replace times that can't be true: see `SoundTimes`."""
    sound = SoundTimes(complain)
    yield from sound.rows(rows)
    yield from sound.rest()


def _never_set(time_ms: int, latest: int) -> bool:
    unset = time_ms < UNIX_CLOCK_MS or UNSET_MS[0] <= time_ms < UNSET_MS[1]
    return unset or latest - time_ms > BEHIND_MS


def _arrived(row: RecordedRow, time_ms: int) -> RecordedRow:
    return time_ms, row[1], row[2], row[3], True


def _ahead(span_ms: int) -> str:
    days = span_ms / 86_400_000
    return f"{days:.0f} days" if days >= 2 else f"{span_ms / 3_600_000:.0f} hours"
