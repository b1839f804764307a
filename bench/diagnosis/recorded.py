"""Runs as frames: what the judging is given, recorded once, so that it can be run again and again.

Reading and flagging take most of a replay. They change nothing when a number of a detector changes, so a run
is read once into its steps, the frames and the reports that came after a gap, and kept beside its readings.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path

import msgspec

import rushlight.analysis.detectors.frames as frames_module
import rushlight.collector.intake as intake_package
from rushlight.analysis.detectors.frames import Frame, FrameBuilder
from rushlight.analysis.replay.csv_rows import read_rows
from rushlight.analysis.replay.files import Replay
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import QUANTITIES, Reading
from rushlight.collector.settings import Settings, load_settings

__all__ = [
    "GAP_MS",
    "ClockPutBack",
    "Heard",
    "Step",
    "events_by_frames",
    "events_by_readings",
    "record",
    "recorded",
]

GAP_MS = 90_000
"""A shorter gap between two reports is no silence, whatever its limit is scaled to."""


class ClockPutBack(ValueError):
    """A run whose clock is put back can't be judged by its frames."""


class Heard(msgspec.Struct, array_like=True):
    """A report after a gap: its time, that of the report before, and where the open frame began (ms UTC)."""

    time_ms: int
    last_ms: int
    start_ms: int


class Step(msgspec.Struct, array_like=True):
    """One of both."""

    frame: Frame | None = None
    heard: Heard | None = None


class FrameWatch(TankWatch):
    """A tank's watch that is given what was recorded instead of readings."""

    def run(self, steps: list[Step]) -> Iterator[Event]:
        """The events that the readings would have brought, but those of a clock that is put back."""
        silence, frames = self.state.silence, self.state.frames
        for step in steps:
            if step.frame is not None:
                silence.last_ms = max(silence.last_ms, step.frame.time_ms)
                yield from self.judge(step.frame)
            elif (heard := step.heard) is not None and heard.time_ms - heard.last_ms > self.silence_limit_ms:
                silence.last_ms, frames.start_ms = heard.last_ms, heard.start_ms
                yield from self._heard(heard.time_ms, heard.time_ms)


def _settings(folder: Path) -> Settings:
    settings = load_settings(folder / "rushlight.toml")
    if len(settings.tanks) != 1:
        raise ValueError(f"{folder}: has {len(settings.tanks)} tanks; one is wanted")
    return settings


def record(folder: Path) -> list[Step]:
    """Read a run's readings into its steps.

    Raises
    ------
    ValueError
        The run has another number of tanks than one.
    ClockPutBack
        Then only the readings show what happens.
    """
    intake, builder = Intake(_settings(folder)), FrameBuilder()
    steps: list[Step] = []
    last_ms = -1
    for time_ms, tank, quantity, value, arrival in read_rows([folder / "readings.csv"], lambda _: None):
        if quantity not in QUANTITIES:
            continue
        for reading in intake.take(Reading(tank, quantity, time_ms, value, stamp=int(arrival))):
            if reading.time_ms - last_ms > GAP_MS and last_ms >= 0:
                steps.append(Step(heard=Heard(reading.time_ms, last_ms, builder.start_ms)))
            last_ms = max(last_ms, reading.time_ms)
            if (frame := builder.feed(reading)) is not None:
                steps.append(Step(frame=frame))
            elif builder.back_ms:
                raise ClockPutBack(
                    f"{folder}: its clock is put back at {reading.time_ms}; judge it by readings"
                )
    return steps


def recorded(folder: Path) -> list[Step]:
    """The steps of a run, from beside its readings where they were recorded by the same code before."""
    sources = [Path(frames_module.__file__ or ""), folder / "readings.csv", folder / "rushlight.toml"]
    sources += sorted(Path(intake_package.__path__[0]).glob("*.py"))
    digest = 0
    for source in sources:
        digest = zlib.crc32(source.read_bytes(), digest)
    kept = folder / f"frames-{digest:08x}.msgpack"
    if kept.exists():
        return msgspec.msgpack.decode(kept.read_bytes(), type=list[Step])
    for stale in folder.glob("frames-*.msgpack"):
        stale.unlink()
    steps = record(folder)
    kept.write_bytes(msgspec.msgpack.encode(steps))
    return steps


def events_by_frames(folder: Path, steps: list[Step] | None = None) -> Iterator[Event]:
    """A run's events, by its frames; `steps` where they are at hand already."""
    ((name, tank),) = _settings(folder).tanks.items()
    yield from FrameWatch(name, tank).run(recorded(folder) if steps is None else steps)


def events_by_readings(folder: Path) -> Iterator[Event]:
    """A run's events as a replay brings them: for what acts before there are frames."""
    rows = read_rows([folder / "readings.csv"], lambda _: None)
    yield from Replay(_settings(folder), lambda _: None).events(rows)
