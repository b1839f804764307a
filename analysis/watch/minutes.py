"""A replay's shortest way into a watch: whole minutes of plain readings become frames together.

A minute is plain where each of its readings passes, none comes behind a silence or a gap, and no series is
new. All others go reading by reading, as everything does in the service; so do the first and the last minute
of a block, of which a part may lie in the block beside it. What is judged is the same either way.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from copy import copy
from itertools import repeat
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from rushlight.analysis.detectors.frames import FRAME_MS, Frame, SeriesFrame
from rushlight.analysis.estimators.numbers import CLOCK
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.intake.limits import LIMITS
from rushlight.collector.readings import (
    HEATER_POWER,
    LIGHT,
    PH,
    ROOM_TEMPERATURE,
    TEMPERATURE,
    Flag,
    Reading,
)

__all__ = ["Block", "Series"]

_PASS, _SUSPECT = int(Flag.PASS), int(Flag.SUSPECT)
_IN_FRAME = (TEMPERATURE, ROOM_TEMPERATURE, PH, LIGHT, HEATER_POWER)  # means, in the order of `Frame`
_FEW = 4  # fewer minutes together cost more than one by one
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class Series(NamedTuple):
    """One series' readings in a block, flagged.

    Attributes
    ----------
    rows : array of int
        Their places among all readings of the block.
    values : array of float
        NaN where there is none.
    flags : dict of int to int
        Flags of those that don't pass, by their places in `values`.
    """

    rows: Ints
    values: Floats
    flags: Mapping[int, int]


class _Minutes(NamedTuple):
    """One series, minute by minute, as if all of its readings passed.

    `begins` is the place of each minute's first reading in the series, one more at its end; `last`, `seen_ms`
    and `moved` (the place of its last change, -1: not in this block) are as of the minute's end.
    """

    begins: Ints
    good: Ints
    total: Floats
    last: Floats
    seen_ms: Ints
    moved: Ints

    def mean(self) -> Floats:
        """NaN where there is no reading."""
        with np.errstate(invalid="ignore"):
            return self.total / self.good

    def means(self, begin: int, end: int) -> list[float | None]:
        """Of these minutes; None where there is no reading."""
        found = self.mean()[begin:end].tolist()
        return found if self.good[begin:end].all() else [one if one == one else None for one in found]


class Block:
    """Readings of one tank as they came, in order of their time, for its watch."""

    def __init__(self, watch: TankWatch, times_ms: Ints, series: Mapping[str, Series]) -> None:
        self._watch = watch
        self._times_ms = times_ms
        self._series = series
        minute = times_ms // FRAME_MS
        new = np.diff(minute, prepend=-1) > 0
        self._begins = np.flatnonzero(new)
        self._minute_of = np.cumsum(new) - 1
        self._starts_ms: list[int] = (minute[self._begins] * FRAME_MS).tolist()
        self._first_ms: list[int] = times_ms[self._begins].tolist()
        self._minutes = {name: self._by_minute(one) for name, one in series.items()}
        self._odd = np.flatnonzero(self._is_odd()).tolist()

    @classmethod
    def of(cls, watch: TankWatch, readings: Sequence[Reading]) -> Self:
        """Of readings that are flagged already."""
        quantities = [reading.quantity for reading in readings]
        places = {name: place for place, name in enumerate(dict.fromkeys(quantities))}
        of = np.fromiter(map(places.__getitem__, quantities), np.int64, len(quantities))
        values = np.array([reading.value for reading in readings], np.float64)  # NaN where there is none
        flags = np.array([reading.flag for reading in readings])
        odd = (flags >= _SUSPECT) | np.isnan(values)
        series: dict[str, Series] = {}
        for name, place in places.items():
            rows = np.flatnonzero(of == place)
            strange = np.flatnonzero(odd[rows])
            of_them = dict(zip(strange.tolist(), flags[rows[strange]].tolist(), strict=True))
            series[name] = Series(rows, values[rows], of_them)
        return cls(watch, np.array([reading.time_ms for reading in readings]), series)

    def events(self) -> Iterator[Event]:
        """What changes by them."""
        at = 0
        for odd in self._odd:
            if odd - at >= _FEW:
                yield from self._together(at, odd)
                at = odd
            while at <= odd:
                yield from self._one_by_one(at)
                at += 1

    def _by_minute(self, one: Series) -> _Minutes:
        times_ms, values = self._times_ms[one.rows], one.values
        minute, count = self._minute_of[one.rows], len(self._starts_ms)
        good = np.bincount(minute, minlength=count)
        # a sum depends on the order of what is added: this adds one after the other, as they come
        total = np.asarray(np.bincount(minute, values, count), np.float64)
        behind = np.cumsum(good)
        moves = np.flatnonzero(np.diff(values, prepend=values[0]))
        moved = np.append(moves, -1)[np.searchsorted(moves, behind) - 1]
        ends = behind - 1
        return _Minutes(np.append(0, behind), good, total, values[ends], times_ms[ends], moved)

    def _is_odd(self) -> NDArray[np.bool_]:
        """Of each minute, whether it goes reading by reading."""
        # behind a longer gap a silence may end, or a clock have leapt
        calm_ms = min(CLOCK.step_ms, self._watch.silence_limit_ms - FRAME_MS)
        first_ms, starts_ms = np.asarray(self._first_ms), np.asarray(self._starts_ms)
        odd = np.ones(len(starts_ms), np.bool_)
        odd[1:-1] = first_ms[1:-1] - starts_ms[:-2] > calm_ms + FRAME_MS
        known = self._watch.state.frames.series
        for name, one in self._series.items():
            strange = list(one.flags) if name in known else [0, *one.flags]
            minutes, limits = self._minutes[name], LIMITS[name]
            odd[np.searchsorted(minutes.begins, strange, "right") - 1] = True
            mean = minutes.mean()
            odd |= (mean < limits.fail_low) | (mean > limits.fail_high)  # whoever has called it good
        return odd

    def _one_by_one(self, minute: int) -> Iterator[Event]:
        readings: list[tuple[int, str, float, int]] = []
        for name, one in self._series.items():
            first, behind = self._minutes[name].begins[minute : minute + 2].tolist()
            rows, values = one.rows[first:behind].tolist(), one.values[first:behind].tolist()
            flags = [one.flags.get(place, _PASS) for place in range(first, behind)]
            readings += zip(rows, repeat(name), values, flags)
        readings.sort()
        for row, name, value, flag in readings:
            time_ms = int(self._times_ms[row])
            given = value if value == value else None
            yield from self._watch.take(name, time_ms, given, flag, 0, time_ms)

    def _together(self, begin: int, end: int) -> Iterator[Event]:
        """Plain minutes: the first reading of each closes the frame before; the last one stays open."""
        watch = self._watch
        frames, silence = watch.state.frames, watch.state.silence
        starts_ms, first_ms = self._starts_ms, self._first_ms
        # a series whose first reading was too late is not known yet
        known = frames.series.keys() >= self._series.keys()
        if silence.standing or silence.awaited or not (known and 0 <= frames.end_ms <= starts_ms[begin]):
            for minute in range(begin, end):
                yield from self._one_by_one(minute)
            return
        silence.last_ms = first_ms[begin]
        closed = frames.open_at(first_ms[begin])
        if closed is not None:
            yield from watch.judge(closed)
        parts = {name: self._part(name, one, begin, end) for name, one in frames.series.items()}
        for frame, next_ms in zip(
            self._frames(parts, begin, end - 1), starts_ms[begin + 1 : end], strict=True
        ):
            silence.last_ms = frame.time_ms
            frames.start_ms, frames.end_ms = next_ms, next_ms + FRAME_MS
            yield from watch.judge(frame)
        frames.series = {name: part[-1] for name, part in parts.items()}
        silence.last_ms = int(self._times_ms[self._begins[end] - 1])

    def _part(self, name: str, carried: SeriesFrame, begin: int, end: int) -> list[SeriesFrame]:
        """What a series did in each of these minutes, of which the frame before left `carried`."""
        minutes = self._minutes.get(name)
        first = end
        if minutes is not None:  # the minute of its first reading
            reading = minutes.begins[begin]
            first = min(end, int(np.searchsorted(minutes.begins, reading, "right")) - 1)
        empty = [*repeat(copy(carried), first - begin - 1), carried] if first > begin else []
        if minutes is None or first == end:
            return empty
        series, span = self._series[name], slice(first, end)
        as_before = series.values[reading] == carried.last
        since_ms = carried.flat_since if as_before else self._times_ms[series.rows[reading]]
        moved = minutes.moved[span]
        moved_ms = self._times_ms[series.rows[moved]]
        there = map(
            SeriesFrame,
            minutes.good[span].tolist(),
            repeat(0),
            repeat(0),
            minutes.total[span].tolist(),
            minutes.last[span].tolist(),
            repeat(carried.last_bad),
            np.where(moved > reading, moved_ms, since_ms).tolist(),
            minutes.seen_ms[span].tolist(),
            repeat(carried.last_suspect),
        )
        return [*empty, *there]

    def _frames(self, parts: Mapping[str, list[SeriesFrame]], begin: int, end: int) -> Iterator[Frame]:
        """The frames of these minutes, each closed by the first reading of the minute behind it."""
        count, of = end - begin, self._minutes
        means = [of[name].means(begin, end) if name in of else [None] * count for name in _IN_FRAME]
        series = map(dict, map(zip, repeat(list(parts)), zip(*parts.values(), strict=True)))
        starts_ms, closed_ms = self._starts_ms[begin:end], self._first_ms[begin + 1 : end + 1]
        return map(Frame, starts_ms, closed_ms, *means, series)
