"""Batches to a server, as large as it takes them; what it refuses is found, set aside and logged once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, Protocol

from rushlight.collector.influx.answers import BatchRefused, BatchTooLarge
from rushlight.collector.influx.points import line_of
from rushlight.collector.influx.state import DrainState
from rushlight.collector.log import ClearLog
from rushlight.collector.readings import Reading
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["BatchWriter", "Refusal", "Refusals", "Writer"]

_MOST = 5_000  # readings in a batch, some 500 kB
_LEAST = 100
_REMEMBERED = 20_000  # refused readings that are known again: far more than arrive in what is written again


class Writer(Protocol):
    """Takes lines or raises; see `InfluxWriter`."""

    def write(self, lines: Sequence[str]) -> None: ...

    @property
    def connections(self) -> int: ...


class Refusal(NamedTuple):
    """Readings that the server won't take, and its reason."""

    readings: list[Reading]
    lines: list[str]
    reason: str
    too_old: bool


class BatchWriter:
    """Halves what is refused or too large.

    Parameters
    ----------
    writer : Writer

    Attributes
    ----------
    most : int
        Readings in the next batch.
    """

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self.most = self._cap = _MOST

    @property
    def connections(self) -> int:
        """As the writer's."""
        return self._writer.connections

    def write(self, readings: Sequence[Reading]) -> list[Refusal]:
        """Write them; what was refused.

        Raises
        ------
        ServerAway
            Some of them may have been taken.
        """
        pairs: list[tuple[Reading, str]] = []
        refusals = []
        for reading in readings:
            try:
                pairs.append((reading, line_of(reading)))
            except ValueError as error:
                refusals.append(Refusal([reading], [reading.tank], str(error), False))
        return refusals + (self._halve(pairs) if pairs else [])

    def taken(self) -> None:
        """The server has answered: more at a time again."""
        self.most = min(self.most * 2, self._cap)

    def slower(self) -> None:
        """The server has been too slow: less at a time."""
        self.most = max(_LEAST, self.most // 2)

    def _halve(self, pairs: list[tuple[Reading, str]]) -> list[Refusal]:
        lines = [line for _, line in pairs]
        try:
            self._writer.write(lines)
            return []
        except BatchTooLarge as error:
            if len(pairs) == 1:
                return [Refusal([pairs[0][0]], lines, str(error), False)]
            self._cap = self.most = max(1, min(self._cap, len(pairs) // 2))
        except BatchRefused as error:
            if len(pairs) == 1 or error.dropped >= len(pairs):
                return [Refusal([reading for reading, _ in pairs], lines, str(error), error.too_old)]
        middle = len(pairs) // 2
        return self._halve(pairs[:middle]) + self._halve(pairs[middle:])


class Refusals:
    """What becomes of refused readings: counted once, set aside with the reason, named in the log.

    Parameters
    ----------
    settings : StoreSettings
    say : ClearLog
    """

    def __init__(self, settings: StoreSettings, say: ClearLog) -> None:
        self._settings = settings
        self._say = say
        self._refused: dict[tuple[str, str, int, int], None] = {}  # counted since the start

    def note(
        self, store: EmbeddedStore, state: DrainState, refusals: list[Refusal], known: bool, now_ms: int
    ) -> None:
        """In the transaction that remembers how far the server is; `known`: all of it was written before."""
        by_reason: dict[str, list[Refusal]] = {}
        for refusal in refusals:
            if refusal.too_old:
                if not known:
                    state.too_old += len(self._unseen(refusal.readings))
                self._say.say(
                    "too old",
                    f"InfluxDB at {self._settings.url} keeps bucket {self._settings.bucket!r} for a shorter "
                    f"time than these readings are old: {refusal.reason}; they stay in {store.path}",
                )
                continue
            by_reason.setdefault(refusal.reason, []).append(refusal)
        for reason, found in by_reason.items():
            readings = [reading for refusal in found for reading in refusal.readings]
            text = "\n".join(line for refusal in found for line in refusal.lines).encode()
            unseen = self._unseen(readings)
            state.refused += len(unseen)
            earliest = min(reading.time_ms for reading in readings)
            if state.refused_from_ms is None or earliest < state.refused_from_ms:
                state.refused_from_ms = earliest
            if unseen and not known:
                bucket = self._settings.bucket or ""
                why = f"{len(readings)} readings: {reason}"
                store.set_aside("influxdb", bucket, text, len(text), why, now_ms)
            self._say.say(
                "refused",
                f"InfluxDB at {self._settings.url} refuses readings for bucket {self._settings.bucket!r}: "
                f"{reason}; {len(readings)} set aside, all stay in {store.path}: fix the bucket, then start "
                "the service again, and they are written",
            )

    def _unseen(self, readings: Sequence[Reading]) -> list[Reading]:
        """Those that were not refused before: what is written again is refused again, but counted once."""
        found = []
        for reading in readings:
            key = (reading.tank, reading.quantity, reading.time_ms, reading.seq)
            if key not in self._refused:
                found.append(reading)
                self._refused[key] = None
        while len(self._refused) > _REMEMBERED:
            del self._refused[next(iter(self._refused))]
        return found
