"""The same analysis over one's own store around a moment, with what each detector believed.

The readings as they were kept, flags included, are given to a fresh `TankWatch`, some days before the moment
first, so that it has learnt what is usual. People's acknowledgements and shelves are not replayed: what comes
out is what the readings alone say.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import Protocol

import msgspec

from rushlight.analysis.replay.beliefs import RecordingWatch, Sample
from rushlight.analysis.watch.minutes import Block
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.intake.flagging import Flagger, Intake
from rushlight.collector.readings import QUANTITIES, Flag, Reading
from rushlight.collector.settings import Settings
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["DAY_MS", "HOUR_MS", "Readings", "Recording", "replay_store"]

_BLOCK = 4000  # readings that are judged together
HOUR_MS = 3_600_000
DAY_MS = 86_400_000


class Readings(Protocol):
    """What a replay needs of a store."""

    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]: ...


class Recording(msgspec.Struct, kw_only=True):
    """One tank around a moment.

    Attributes
    ----------
    tank : str
    from_ms, to_ms : int
        The span that is shown, UTC.
    learnt_from_ms : int
        The first reading that was given to the analysis, -1 where there was none.
    events : list of Event
        Those of the span.
    standing : list of Event
        Raised before the span and not over when it begins.
    samples : list of Sample
        Every frame of the span.
    readings : int
        How many were given to the analysis.
    watch : RecordingWatch
        As it was at the end.
    """

    tank: str
    from_ms: int
    to_ms: int
    learnt_from_ms: int = -1
    events: list[Event] = []
    standing: list[Event] = []
    samples: list[Sample] = []
    readings: int = 0
    watch: RecordingWatch


def replay_store(
    settings: Settings,
    store: Readings,
    tank: str,
    from_ms: int,
    to_ms: int,
    *,
    warm_up_days: float = 14,
    thin_ms: int = 0,
    log: Sequence[LogEntry] = (),
    keep: Callable[[Sample], None] | None = None,
) -> Recording:
    """Replay one tank's kept readings.

    Parameters
    ----------
    from_ms, to_ms : int
        The span to show, UTC.
    warm_up_days : float
        How long before it the analysis begins to learn.
    thin_ms : int
        While learning, leave out good readings that follow another one sooner than that; faster, and what is
        learnt is nearly the same, because the analysis goes by minutes.
    log : sequence of LogEntry
        What the keeper has noted.
    keep : callable, optional
        Is given each frame of the span; the recording then holds none. For a span that is too long to hold.

    Raises
    ------
    StoreError
        The store has no readings of that span.
    """
    watch = RecordingWatch(tank, settings.tanks[tank], from_ms, keep)
    recording = Recording(tank=tank, from_ms=from_ms, to_ms=to_ms, watch=watch)
    start_ms = from_ms - round(warm_up_days * DAY_MS)
    for entry in log:
        watch.note(entry)  # each counts from its own time on

    def judged(begin_ms: int, end_ms: int, thin_ms: int) -> Iterator[Event]:
        readings = _flagged(intake, _by_time(store, tank, begin_ms, end_ms, thin_ms))
        while block := list(islice(readings, _BLOCK)):
            if recording.learnt_from_ms < 0:
                recording.learnt_from_ms = block[0].time_ms
            recording.readings += len(block)
            yield from Block.of(watch, block).events()

    intake = Intake(settings)
    raised: dict[str, Event] = {}
    for event in (*judged(start_ms, from_ms, thin_ms), *watch.tick(from_ms - 1)):
        if event.event == "raised":
            raised[event.occurrence] = event
        elif event.event == "cleared":
            raised.pop(event.occurrence, None)
    recording.events += judged(from_ms, to_ms, 0)
    if not recording.readings:
        raise StoreError(f"there are no readings of {tank} around that time; see `rushlight status`")
    recording.events += watch.tick(to_ms)
    recording.samples = watch.samples
    recording.standing = list(raised.values())
    return recording


def _by_time(store: Readings, tank: str, start_ms: int, end_ms: int, thin_ms: int) -> Iterator[Reading]:
    series = [_thinned(store.readings(tank, quantity, start_ms, end_ms), thin_ms) for quantity in QUANTITIES]
    return heapq.merge(*series, key=lambda reading: reading.time_ms)


def _thinned(readings: Iterator[Reading], step_ms: int) -> Iterator[Reading]:
    last_ms = -step_ms
    for reading in readings:
        good = reading.value is not None and reading.flag < Flag.SUSPECT
        if good and reading.time_ms - last_ms < step_ms:
            continue
        last_ms = reading.time_ms
        yield reading


def _flagged(intake: Intake, readings: Iterator[Reading]) -> Iterator[Reading]:
    """What was imported without flags gets them as on the way in."""
    flaggers: dict[str, Flagger] = {}
    for reading in readings:
        if reading.flag == Flag.NOT_EVALUATED:
            quantity = reading.quantity
            if quantity not in flaggers:
                flaggers[quantity] = intake.flagger(reading.tank, quantity)
            reading.flag = flaggers[quantity].flag(reading.time_ms, reading.value)
        yield reading
