"""What the books of all tanks have open."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rushlight.analysis.watch.tank_watch import TankWatch

__all__ = ["away_occurrences", "harm_expected", "open_occurrences"]


def harm_expected(watches: Iterable[TankWatch]) -> Iterator[tuple[str, int]]:
    """Occurrence and moment (ms UTC) of what is going to do harm, as judged last."""
    for watch in watches:
        for record in watch.book.records().values() if watch.book.standing() else ():
            left_s = None if record.finding is None else record.finding.time_left_s
            if record.open and record.standing and left_s is not None:
                yield record.occurrence, round(watch.book.as_of_ms + left_s * 1000)


def open_occurrences(watches: Iterable[TankWatch]) -> list[str]:
    """Occurrences of the alarms that are open; whether they were answered is for the store to say."""
    return [record.occurrence for watch in watches for record in watch.book.records().values() if record.open]


def away_occurrences(watches: Iterable[TankWatch]) -> frozenset[str]:
    """Occurrences of what comes and goes and is not there now."""
    return frozenset(
        record.occurrence for watch in watches for record in watch.book.records().values() if record.away
    )
