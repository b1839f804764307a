"""Short ways into a watch: `lane` for a replay's readings of one series, `fill` for the service's reports."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading

__all__ = ["Lane", "fill", "lane"]

Lane = Callable[[int, float | None, int], list[Event] | None]
"""Takes a reading of one series: time (ms UTC), value, stamp; what changes by it."""

_SUSPECT = int(Flag.SUSPECT)


def lane(watch: TankWatch, quantity: str, flag: Callable[[int, float | None], int]) -> Lane:
    """The way in for one series' readings that are not flagged yet.

    Most readings are good ones of the open frame, and of a report that has been heard: these are added to the
    frame here, as `FrameBuilder.take` does it. All others go the long way.
    """
    take = watch.take

    def give(time_ms: int, value: float | None, stamp: int) -> list[Event] | None:
        found = flag(time_ms, value)
        state = watch.state
        if found < _SUSPECT and value is not None and time_ms <= state.silence.last_ms:
            frames = state.frames
            if frames.start_ms <= time_ms < frames.end_ms:
                series = frames.series.get(quantity)
                if series is not None:
                    if value != series.last:
                        series.last = value
                        series.flat_since = time_ms
                    series.good += 1
                    series.total += value
                    series.seen_ms = time_ms
                    return None
        return take(quantity, time_ms, value, found, stamp, time_ms)

    return give


def fill(watch: TankWatch, readings: Sequence[Reading], at: int, heard_ms: int) -> int:
    """Take readings from place `at` on that only add to the open frame; the place of the first that doesn't.

    As `TankWatch.feed` takes each; whatever is not plain (another tank's, a new frame, one that is flagged,
    the end of a silence) is left for it. `heard_ms` is when they arrived, ms UTC.
    """
    state = watch.state
    silence, frames, name = state.silence, state.frames, watch.tank.name
    new = heard_ms > silence.last_ms
    if new and (silence.standing or silence.awaited or heard_ms - silence.last_ms > watch.silence_limit_ms):
        return at
    start_ms, end_ms, known = frames.start_ms, frames.end_ms, frames.series
    begin, end = at, len(readings)
    while at < end:
        reading = readings[at]
        if reading.tank != name:
            break
        value, time_ms = reading.value, reading.time_ms
        if reading.flag >= _SUSPECT or value is None or not start_ms <= time_ms < end_ms:
            break
        series = known.get(reading.quantity)
        if series is None:
            break
        if value != series.last:
            series.last = value
            series.flat_since = time_ms
        series.good += 1
        series.total += value
        series.seen_ms = time_ms
        at += 1
    if new and at > begin:
        silence.last_ms = heard_ms
    return at
