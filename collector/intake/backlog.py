"""What has been judged and is not written yet: one batch that grows while the store can't be written.

It is written as a whole: the analysis has seen all of it, so its snapshot may not be kept with a part. Room
is bounded. A broker sends no more than it may have unacknowledged (links/mqtt.py); a serial line goes on for
ever and can't send again, so what is beyond the bound is judged, counted and let go.
"""

from __future__ import annotations

import msgspec

from rushlight.collector.intake.batch import Arrival, Batch
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["REPORTS", "Backlog"]

REPORTS = 20_000
"""Reports that wait in memory; a day of two boards that report every ten seconds. Common practice, no source.
What a broker may send again is taken up to twice that."""
_READINGS = 10  # to each of them, at most
_ASIDE = 1000  # payloads that could not be read; the store keeps no more either


class Backlog:
    """Batches that wait for the store.

    Attributes
    ----------
    arrivals : list of Arrival
        To be acknowledged once all is on the disk.
    let_go : int
        Readings that were judged and for which there was no room, since the last `clear`.
    """

    def __init__(self) -> None:
        self.let_go = 0
        self._batch = Batch()
        self._states: dict[tuple[str, str], bytes] = {}

    def __len__(self) -> int:
        """Reports that wait."""
        return len(self._batch.arrivals)

    @property
    def arrivals(self) -> list[Arrival]:
        """What is to be acknowledged."""
        return self._batch.arrivals

    @property
    def empty(self) -> bool:
        """Nothing is to be written."""
        return not self._batch.arrivals and not self._states and not self._batch.counts

    @property
    def full(self) -> bool:
        """Only what a broker may send again is still kept."""
        return len(self) >= REPORTS or len(self._batch.readings) >= _READINGS * REPORTS

    @property
    def brimful(self) -> bool:
        """No more can be taken in: the links must wait."""
        return len(self) >= 2 * REPORTS or len(self._batch.readings) >= 2 * _READINGS * REPORTS

    def parts(self, arrivals: list[Arrival]) -> list[list[Arrival]]:
        """What is to be made into a batch each: where it is full, what can come again apart from the rest."""
        if not self.full:
            return [arrivals]
        once = [arrival for arrival in arrivals if arrival.delivery.token is None]
        again = [arrival for arrival in arrivals if arrival.delivery.token is not None]
        return [part for part in (once, again) if part]

    def add(self, batch: Batch) -> None:
        """Take in a batch that was judged; where it is full, not what a serial line brought."""
        whole = self._batch
        if self.full and all(arrival.delivery.token is None for arrival in batch.arrivals):
            self.let_go += len(batch.readings)
            whole.count("let-go", len(batch.readings))
        elif self.empty:
            # as nearly always: written at once
            whole.readings, whole.arrivals = batch.readings, batch.arrivals
        else:
            whole.readings += batch.readings
            whole.arrivals += [_without_payload(arrival) for arrival in batch.arrivals]
        whole.aside += batch.aside[: max(_ASIDE - len(whole.aside), 0)]
        for name, by in batch.counts.items():
            whole.count(name, by)
        self._states.update(((kind, key), blob) for kind, key, blob in batch.states)

    def write(self, store: EmbeddedStore) -> None:
        """Write all of it, in the caller's transaction; may be done again where that failed."""
        self._batch.states = [(kind, key, blob) for (kind, key), blob in self._states.items()]
        self._batch.write(store)

    def clear(self) -> None:
        """It is on the disk."""
        self._batch, self._states, self.let_go = Batch(), {}, 0


def _without_payload(arrival: Arrival) -> Arrival:
    return Arrival(arrival.link, msgspec.structs.replace(arrival.delivery, payload=b""))
