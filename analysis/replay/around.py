"""`rushlight replay --store --around TIME`: what happened then, and what each detector believed."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo

import msgspec

from rushlight.analysis.alarms.rationale import Family, rationale_for
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.replay.beliefs import BELIEFS, Sample
from rushlight.analysis.replay.bundle import read_bundle, replay_bundle
from rushlight.analysis.replay.sources import open_readings
from rushlight.analysis.replay.store import HOUR_MS, Readings, Recording, replay_store
from rushlight.collector.errors import ReplayError, SettingsError, StoreError
from rushlight.collector.readings import HEATER_POWER, LIGHT, PH, QUANTITIES, ROOM_TEMPERATURE, TEMPERATURE
from rushlight.collector.safe_text import safe_lines
from rushlight.collector.service.parts import settings_of_tank
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["moment_in", "replay_around", "replay_file"]

_ROWS = 16  # of a table; what changes has a row of its own besides
_MEASURED: dict[Family, dict[str, str]] = {
    "carbon dioxide": {PH: "pH"},
    "heat": {TEMPERATURE: "water °C", ROOM_TEMPERATURE: "room °C", HEATER_POWER: "heater W"},
    "light": {LIGHT: "light lx"},
}
_YES_NO = ("lamp_on", "lamp_should_be_on")


def moment_in(text: str, timezone: str) -> int:
    """A moment in ms UTC; without an offset it is by the clock of `timezone`.

    Raises
    ------
    ValueError
        It can't be read.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"{text!r} is no moment; write it as 2026-03-01T02:14:10Z, or as '2026-03-01 02:14' by the "
            "tank's own clock"
        ) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(timezone))
    return round(moment.timestamp() * 1000)


def replay_around(
    settings: Settings,
    around: str,
    hours: float,
    tank: str | None,
    events: str | None,
    beliefs: str | None,
    now_ms: int,
    out: TextIO,
    warn: TextIO,
) -> None:
    """Replay the store and print events and beliefs; both go to files as well where these are named.

    Raises
    ------
    SettingsError
        No such tank, or the moment can't be read.
    ReplayError
        A file can't be written.
    StoreError
        The store can't be read, or has no readings of that time.
    """
    if tank is not None and tank not in settings.tanks:
        raise SettingsError(f"{settings.path}: there is no tank {tank!r}; known: {', '.join(settings.tanks)}")
    names = [tank] if tank is not None else list(settings.tanks)
    recordings: list[Recording] = []
    failed: StoreError | None = None
    with ExitStack() as opened:
        stores: dict[Path, Readings] = {}
        logs: dict[Path, EmbeddedStore] = {}
        for name in names:
            try:
                middle_ms = moment_in(around, settings.tanks[name].timezone)
            except ValueError as error:
                raise SettingsError(f"--around: {error}") from None
            span_ms = round(hours * HOUR_MS)
            end_ms = min(middle_ms + span_ms, now_ms + 1)
            path = settings_of_tank(settings, name).store_path()
            if path not in stores:
                local = opened.enter_context(EmbeddedStore(path, read_only=True))
                logs[path] = local
                stores[path] = opened.enter_context(open_readings(settings, local, warn))
            try:
                log = logs[path].log(name, until_ms=end_ms)
                recordings.append(
                    replay_store(settings, stores[path], name, middle_ms - span_ms, end_ms, log=log)
                )
            except StoreError as error:
                if len(names) == 1 or not str(error).startswith("there are no readings"):
                    raise
                failed = error
    if not recordings and failed is not None:
        raise failed
    _show(settings, recordings, events, beliefs, out)


def replay_file(bundle: str, events: str | None, beliefs: str | None, out: TextIO) -> None:
    """The same of a file of `rushlight bundle`, by the settings that are in it.

    Raises
    ------
    ReplayError
        It can't be read, or a file can't be written.
    StoreError
        It has no readings.
    """
    found = read_bundle(Path(bundle))
    recording = replay_bundle(found)
    _show(found.settings, [recording], events, beliefs, out)
    if [one.time for one in recording.events] != [one.time for one in found.replayed]:
        print(
            f"Its maker's version ({safe_lines(found.about.version)}) gave {len(found.replayed)} events; see "
            "replayed.jsonl in the file.",
            file=out,
        )


def _show(
    settings: Settings, recordings: Sequence[Recording], events: str | None, beliefs: str | None, out: TextIO
) -> None:
    for recording in recordings:
        for line in _shown(settings, recording):
            print(safe_lines(line), file=out)
    if events is not None:
        _write_events(events, recordings)
    if beliefs is not None:
        _write_beliefs(beliefs, recordings)


def _shown(settings: Settings, recording: Recording) -> Iterator[str]:
    tank = settings.tanks[recording.tank]
    zone = ZoneInfo(tank.timezone)
    title = f"{tank.title} ({recording.tank})" if tank.title else recording.tank
    yield (
        f"{title}, {_local(recording.from_ms, zone, '%a %d %b %Y %H:%M')} to "
        f"{_local(recording.to_ms, zone, '%a %d %b %H:%M')} ({tank.timezone})"
    )
    yield (
        f"{recording.readings} readings since {_local(recording.learnt_from_ms, zone, '%d %b %H:%M')} were "
        f"given to the analysis, {len(recording.samples)} frames judged in this span"
    )
    for event in recording.standing:
        yield f"active before: {event.summary}"
    if not recording.events:
        yield "no event in this span"
    for event in recording.events:
        moment = datetime.fromisoformat(event.time).astimezone(zone)
        yield f"{moment:%a %H:%M:%S}  {event.event:16}  {event.summary}"
        if event.event in ("raised", "priority-changed") and event.observations:
            yield f"{'':14}seen: {'; '.join(event.observations)}"
    families = dict.fromkeys(belief.family for belief in BELIEFS.values())
    for family in families:
        lines = list(_table(recording, family, zone))
        if lines:
            yield ""
            yield from lines
    yield ""


def _table(recording: Recording, family: Family, zone: ZoneInfo) -> Iterator[str]:
    """One family's measured values and beliefs, thinned; a change of what it finds is always shown."""
    samples = recording.samples
    known = {name for sample in samples for name in sample.beliefs}
    names = [name for name, belief in BELIEFS.items() if belief.family == family and name in known]
    measured = [name for name in _MEASURED.get(family, {}) if any(name in sample.seen for sample in samples)]
    if not names and not any(_of(family, sample) for sample in samples):
        return
    heads = ["time", *(_MEASURED[family][name] for name in measured)]
    heads += [f"{BELIEFS[name].heading} {BELIEFS[name].unit}".rstrip() for name in names]
    rows = [[*heads, "found"]]
    for sample in _thinned(samples, family):
        row = [_local(sample.time_ms, zone, "%a %H:%M")]
        row += [_figure(sample.seen.get(n), QUANTITIES[n].decimals) for n in measured]
        for name in names:
            value = sample.beliefs.get(name)
            if name in _YES_NO or name.startswith("doubts_"):
                row.append("yes" if value else "no" if value is not None or name not in _YES_NO else "–")
            else:
                row.append(_figure(value, BELIEFS[name].decimals))
        rows.append([*row, ", ".join(_of(family, sample)) or "–"])
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    yield f"{family}:"
    for row in rows:
        cells = [cell.rjust(width) for cell, width in zip(row[:-1], widths, strict=False)]
        yield f"  {'  '.join(cells)}  {row[-1]}"


def _thinned(samples: Sequence[Sample], family: Family) -> Iterator[Sample]:
    step = max(1, -(-len(samples) // _ROWS))
    before: tuple[str, ...] | None = None
    for index, sample in enumerate(samples):
        found = _of(family, sample)
        if index % step == 0 or found != before or index == len(samples) - 1:
            yield sample
        before = found


def _of(family: Family, sample: Sample) -> tuple[str, ...]:
    """What the family found in this frame; in brackets where it was only held on to."""
    return tuple(
        name for name in sample.found if rationale_for(name.strip("()").split("/")[0]).family == family
    )


def _figure(value: float | None, decimals: int) -> str:
    return "–" if value is None else f"{value:.{decimals}f}"


def _local(time_ms: int, zone: ZoneInfo, form: str) -> str:
    return datetime.fromtimestamp(time_ms / 1000, zone).strftime(form)


def _write_events(path: str, recordings: Sequence[Recording]) -> None:
    try:
        with Path(path).open("wb") as file:
            for recording in recordings:
                file.writelines(msgspec.json.encode(event) + b"\n" for event in recording.events)
    except OSError as error:
        raise ReplayError(f"{path}: can't be written ({error.strerror}); check the folder") from None


def _write_beliefs(path: str, recordings: Sequence[Recording]) -> None:
    """One row a frame: when it was judged, what was measured, what was believed, what was found."""
    try:
        with Path(path).open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(["time", "tank", *QUANTITIES, *BELIEFS, "found"])
            for recording in recordings:
                for sample in recording.samples:
                    figures = [_exact(sample.seen.get(name)) for name in QUANTITIES]
                    figures += [_exact(sample.beliefs.get(name)) for name in BELIEFS]
                    found = " ".join(sample.found)
                    writer.writerow([utc_text(sample.time_ms), recording.tank, *figures, found])
    except OSError as error:
        raise ReplayError(f"{path}: can't be written ({error.strerror}); check the folder") from None


def _exact(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
