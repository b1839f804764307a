"""The same analysis over recorded readings: all times come from the data, none from the clock."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

import msgspec
import numpy as np

from rushlight.analysis.replay.columns import Columns
from rushlight.analysis.replay.csv_rows import RecordedRow, read_parts
from rushlight.analysis.watch.lane import ElectrodeLane, Lane, TankLanes
from rushlight.analysis.watch.minutes import Block, Series
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import ReplayError
from rushlight.collector.events import Event
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.intake.flagging_runs import not_passing
from rushlight.collector.readings import PH_PROBE, QUANTITIES
from rushlight.collector.settings import Settings, load_settings

__all__ = ["Replay", "ReplaySummary", "replay_files"]

TICK_MS = 60_000
_PLAIN = frozenset(QUANTITIES) - {PH_PROBE}  # quantities of which one reading stays one reading


class ReplaySummary(msgspec.Struct):
    """What a replay did.

    `left_out` readings are of unknown tanks or quantities; `late` ones are a minute and more older than what
    had come before them, so that nobody could have judged them then.
    """

    readings: int = 0
    events: int = 0
    raised: int = 0
    left_out: int = 0
    late: int = 0
    first_ms: int = -1
    last_ms: int = -1


class Replay:
    """Runs rows through intake and watch; keeps the watches for whoever wants to look into them."""

    def __init__(self, settings: Settings, complain: Callable[[str], None]) -> None:
        self.settings = settings
        self.watches = {name: TankWatch(name, tank) for name, tank in settings.tanks.items()}
        self.summary = ReplaySummary()
        self._intake = Intake(settings)
        self._complain = complain
        self._strange: set[str] = set()
        self._lanes: dict[str, TankLanes] = {}
        self._tick_at = -1
        # by tank: the time of its newest reading, and the time of the others when that was first seen
        self._last: dict[str, int] = {}
        self._heard: dict[str, int] = {}

    def events(self, rows: Iterable[RecordedRow], until_ms: int | None = None) -> Iterator[Event]:
        """Events in the order in which they could first be known."""
        return self.events_of([iter(rows)], until_ms)

    def events_of(
        self, parts: Iterable[Columns | Iterator[RecordedRow]], until_ms: int | None = None
    ) -> Iterator[Event]:
        """The same of rows in parts: `rushlight.analysis.replay.csv_rows.read_parts`."""
        for part in parts:
            if not isinstance(part, Columns):
                yield from self._one_by_one(part)
            elif list(self.watches) == [part.tank] and _PLAIN.issuperset(part.quantities):
                yield from self._together(part)
            else:
                yield from self._one_by_one(part.rows())
        for tank in self._lanes.values():
            tank.catch_up()
        self.summary.late = sum(watch.state.frames.late for watch in self.watches.values())
        last_ms = (watch.state.silence.last_ms for watch in self.watches.values())
        self.summary.last_ms = max(last_ms, default=-1)
        if until_ms is not None:
            for watch in self.watches.values():
                yield from watch.tick(until_ms)

    def _together(self, block: Columns) -> Iterator[Event]:
        """Plain rows of the only tank."""
        tank = self._of_tank(block.tank)
        tank.catch_up()
        series: dict[str, Series] = {}
        for place, name in enumerate(block.quantities):
            rows = np.flatnonzero(block.of == place)
            times_ms, values = block.times_ms[rows], block.values[rows]
            flagger = self._lane(tank, block.tank, name).flagger
            series[name] = Series(rows, values, not_passing(flagger, times_ms, values))
        self.summary.readings += len(block.values)
        if self.summary.first_ms < 0:
            self.summary.first_ms = int(block.times_ms[0])
        yield from Block(self.watches[block.tank], block.times_ms, series).events()
        tank.follow()

    def _one_by_one(self, rows: Iterator[RecordedRow]) -> Iterator[Event]:
        watches = self.watches
        summary = self.summary
        of_tank: TankLanes | None = None
        last_tank = ""
        several = len(watches) > 1
        tick_at = self._tick_at
        count = 0
        for time_ms, tank, quantity, value, arrival in rows:
            if tank != last_tank:
                of_tank, last_tank = self._of_tank(tank) if tank in watches else None, tank
            if of_tank is None or quantity not in QUANTITIES:
                self._unknown(tank, quantity, of_tank is None)
                continue
            way = of_tank.lanes.get(quantity) or self._lane(of_tank, tank, quantity)
            count += 1
            if time_ms > tick_at:
                if several and tick_at > 0:
                    for other in self._lanes.values():
                        other.catch_up()
                    yield from self._others(time_ms, watches[tank])
                    for other in self._lanes.values():
                        other.follow()
                self._tick_at = tick_at = time_ms + TICK_MS
                if summary.first_ms < 0:
                    summary.first_ms = time_ms
            if (
                of_tank.start_ms <= time_ms < of_tank.end_ms
                and way.waits
                and value is not None
                and not arrival
            ):
                way.times.append(time_ms)
                way.values.append(value)
                continue
            of_tank.catch_up()
            found = way.give(time_ms, value, arrival)
            of_tank.follow()
            if found:
                yield from found
        summary.readings += count

    def _others(self, time_ms: int, watch: TankWatch) -> Iterator[Event]:
        """What time does to those that are silent while one is heard."""
        for other in self._silent(time_ms):
            if other is not watch:
                yield from other.tick(time_ms)

    def _silent(self, time_ms: int) -> list[TankWatch]:
        """Those that have not been heard for long, for whom the others' time passes.

        By what came, not by what it says: a device whose clock is days behind the others' is not silent.
        """
        found = []
        for name, watch in self.watches.items():
            last_ms = watch.state.silence.last_ms
            if self._last.get(name) != last_ms:
                self._last[name], self._heard[name] = last_ms, time_ms
            elif time_ms - self._heard[name] >= watch.silence_limit_ms - 2 * TICK_MS:
                found.append(watch)
        return found

    def _of_tank(self, tank: str) -> TankLanes:
        found = self._lanes.get(tank)
        if found is None:
            found = self._lanes[tank] = TankLanes(self.watches[tank])
        return found

    def _lane(self, of_tank: TankLanes, tank: str, quantity: str) -> Lane:
        """Where the readings of one probe go."""
        lane = of_tank.lanes.get(quantity)
        if lane is None:
            if quantity == PH_PROBE:
                lane = ElectrodeLane(self.watches[tank], self._intake)
            else:
                lane = Lane(self.watches[tank], sys.intern(quantity), self._intake.flagger(tank, quantity))
            of_tank.lanes[quantity] = lane
        return lane

    def _unknown(self, tank: str, quantity: str, no_tank: bool) -> None:
        self.summary.left_out += 1
        what = f"tank {tank!r}" if no_tank else f"quantity {quantity!r}"
        if what not in self._strange and len(self._strange) < 50:
            self._strange.add(what)
            where = self.settings.path
            advice = f"add [tanks.{tank}] to {where}" if no_tank else f"known are {', '.join(QUANTITIES)}"
            self._complain(f"{what} is not known, its readings are left out; {advice}")


def replay_files(
    config: str | Path,
    csvs: Sequence[str | Path],
    events_path: str | Path | None,
    *,
    complain: Callable[[str], None] = lambda _: None,
    progress: Callable[[int], None] | None = None,
    until_ms: int | None = None,
    seen: Callable[[Event], None] | None = None,
) -> ReplaySummary:
    """Replay CSV files into an events file (JSON lines).

    Raises
    ------
    SettingsError
        If the settings are wrong.
    ReplayError
        If a file can't be read or the events can't be written.
    """
    settings = load_settings(config)
    replay = Replay(settings, complain)
    summary = replay.summary
    encode = msgspec.json.encode
    parts = read_parts(csvs, complain, progress)
    try:
        out = Path(events_path).open("wb") if events_path is not None else None  # noqa: SIM115
    except OSError as error:
        raise ReplayError(f"{events_path}: can't be written ({error.strerror}); check the folder") from None
    try:
        for event in replay.events_of(parts, until_ms):
            summary.events += 1
            summary.raised += event.event == "raised"
            if out is not None:
                out.write(encode(event) + b"\n")
            if seen is not None:
                seen(event)
    finally:
        if out is not None:
            out.close()
    return summary
