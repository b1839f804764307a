"""A short way into a watch for the readings of one series, for a replay's millions of them."""

from __future__ import annotations

from collections.abc import Callable

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag

__all__ = ["Lane", "lane"]

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
