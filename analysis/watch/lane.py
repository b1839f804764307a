"""Short ways into a watch: `TankLanes` for a replay's rows, `fill` for the service's reports."""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.intake.flagging import Flagger, Intake
from rushlight.collector.readings import PH_PROBE, Flag, Reading

__all__ = ["ElectrodeLane", "Lane", "TankLanes", "fill"]

_SUSPECT = int(Flag.SUSPECT)


class Lane:
    """The way in for one series' readings that are not flagged yet.

    Those of the open frame may wait in `times` and `values`: with nothing between them they are flagged and
    added to the frame together, by its end at the latest (`TankLanes.catch_up`). The first reading of a
    series doesn't wait (`waits`): series are known in the order in which they came.
    """

    __slots__ = ("_quantity", "_watch", "flagger", "times", "values", "waits")

    def __init__(self, watch: TankWatch, quantity: str, flagger: Flagger) -> None:
        self._watch = watch
        self._quantity = quantity
        self.flagger = flagger
        self.times: list[int] = []
        self.values: list[float] = []
        self.waits = False

    def follow(self) -> None:
        """Whether its readings may wait from now on."""
        self.waits = self._quantity in self._watch.state.frames.series

    def give(self, time_ms: int, value: float | None, stamp: int) -> list[Event]:
        """One reading, whatever it is: time (ms UTC), value, stamp; what changes by it."""
        flag = self.flagger.flag(time_ms, value)
        return self._watch.take(self._quantity, time_ms, value, flag, stamp, time_ms)

    def catch_up(self) -> None:
        """Take those that wait."""
        times, values = self.times, self.values
        series = self._watch.state.frames.series.get(self._quantity)
        while times:
            done = 0 if series is None else self.flagger.passing(times, values)
            if series is not None and done:
                series.take_good(times[:done], values[:done])
                del times[:done], values[:done]
            if times:  # no plain one
                self.give(times.pop(0), values.pop(0), 0)
                series = self._watch.state.frames.series.get(self._quantity)


class ElectrodeLane(Lane):
    """The way in for millivolts: one reading becomes two, by the temperature as it is then."""

    __slots__ = ("_intake",)

    def __init__(self, watch: TankWatch, intake: Intake) -> None:
        super().__init__(watch, PH_PROBE, intake.flagger(watch.tank.name, PH_PROBE))
        self._intake = intake

    def follow(self) -> None:
        """They never may."""

    def give(self, time_ms: int, value: float | None, stamp: int) -> list[Event]:
        """One reading and what is derived from it."""
        reading = Reading(self._watch.tank.name, PH_PROBE, time_ms, value, stamp=int(stamp))
        return [event for one in self._intake.take(reading) for event in self._watch.feed(one)]


class TankLanes:
    """The lanes of one tank, by quantity, and the frame whose readings may wait (ms UTC; none: empty)."""

    __slots__ = ("_watch", "end_ms", "lanes", "start_ms")

    def __init__(self, watch: TankWatch) -> None:
        self._watch = watch
        self.lanes: dict[str, Lane] = {}
        self.start_ms = self.end_ms = 0

    def follow(self) -> None:
        """The watch has moved on another way: now readings of the frame that is open there may wait."""
        state = self._watch.state
        silence = state.silence
        self.start_ms, self.end_ms = state.frames.start_ms, state.frames.end_ms
        if silence.standing or silence.awaited or self._watch.silence_limit_ms < self.end_ms - self.start_ms:
            self.end_ms = self.start_ms  # each report may be the end of a silence
        for lane in self.lanes.values():
            lane.follow()

    def catch_up(self) -> None:
        """Take what waits; nothing changes by it but the frame."""
        newest_ms = -1
        for lane in self.lanes.values():
            if lane.times:
                newest_ms = max(newest_ms, *lane.times)
                lane.catch_up()
        silence = self._watch.state.silence
        if newest_ms > silence.last_ms:
            silence.last_ms = newest_ms


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
        series.take_one(time_ms, value)
        at += 1
    if new and at > begin:
        silence.last_ms = heard_ms
    return at
