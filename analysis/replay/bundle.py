"""A moment of one tank in one file, to be replayed elsewhere: how a missed or false alarm is reported.

What a bundle must not hold: the tank's name and title, links, brokers, addresses, what names secrets, who
answered, and the keeper's own words. So it is built of what is known to be harmless, field by field, instead
of blacking out what is not: numbers, times, and words that the program itself has.
"""

from __future__ import annotations

import csv
import io
import math
import zipfile
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

import msgspec

from rushlight.analysis.replay.beliefs import BELIEFS
from rushlight.analysis.replay.store import DAY_MS, HOUR_MS, Readings, Recording, replay_store
from rushlight.collector.errors import ReplayError, SettingsError
from rushlight.collector.events import Event
from rushlight.collector.readings import QUANTITIES, Reading
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.settings.as_toml import tank_toml
from rushlight.collector.store.exchange import time_text
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["NAME", "About", "Bundle", "read_bundle", "replay_bundle", "write_bundle"]

NAME = "tank"
"""What the tank is called in a bundle."""
_FORM = 1
_MOST_BYTES = 500_000_000  # of all that is in it, unpacked: a year of three probes is less
_KEPT = ("time", "alarm", "event", "priority", "value", "unit", "quantity", "time_left_s", "until", "test")
_HEADER = ["time", "quantity", "value", "flag", "seq", "stamp"]


class About(msgspec.Struct, kw_only=True):
    """Which span it is (ms UTC), how many days before it were given to the analysis, and by which version."""

    form: int = _FORM
    version: str
    around_ms: int
    from_ms: int
    to_ms: int
    warm_up_days: float


class Bundle(msgspec.Struct, kw_only=True):
    """What is in a file: `replayed` are the events that its maker's replay gave."""

    about: About
    settings: Settings
    readings: dict[str, list[Reading]]
    log: list[LogEntry]
    replayed: list[Event]


class _Kept:
    """The readings of a bundle, as a store has them."""

    def __init__(self, series: dict[str, list[Reading]]) -> None:
        self._series = series

    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]:
        for one in self._series.get(quantity, ()):
            if (start_ms is None or one.time_ms >= start_ms) and (end_ms is None or one.time_ms < end_ms):
                yield msgspec.structs.replace(one)


def write_bundle(
    settings: Settings,
    source: Readings,
    tank: str,
    log: Sequence[LogEntry],
    events: Sequence[Event],
    around_ms: int,
    now_ms: int,
    target: Path,
    *,
    hours: float,
    warm_up_days: float,
    version: str,
) -> tuple[int, Recording]:
    """Write it; how many readings are in it, and what their replay gave.

    Raises
    ------
    StoreError
        There are no readings of that time.
    ReplayError
        The file can't be written.
    """
    span_ms = round(hours * HOUR_MS)
    from_ms, to_ms = around_ms - span_ms, min(around_ms + span_ms, now_ms + 1)
    start_ms = from_ms - round(warm_up_days * DAY_MS)
    series = {
        quantity: [
            msgspec.structs.replace(one, tank=NAME)
            for one in source.readings(tank, quantity, start_ms, to_ms)
        ]
        for quantity in QUANTITIES
    }
    text = tank_toml(NAME, msgspec.structs.replace(settings.tanks[tank], title=""))
    clean_log = [one for entry in log if (one := _clean_entry(entry)) is not None and entry.time_ms < to_ms]
    about = About(
        version=version, around_ms=around_ms, from_ms=from_ms, to_ms=to_ms, warm_up_days=warm_up_days
    )
    bundle = Bundle(
        about=about,
        settings=parse_settings(text, "settings.toml"),
        readings=series,
        log=clean_log,
        replayed=[],
    )
    recording = replay_bundle(bundle)
    shown = [one for one in events if time_text(start_ms) <= one.time < time_text(to_ms)]
    parts = {
        "about.json": msgspec.json.encode(about),
        "settings.toml": text.encode(),
        "readings.csv": _csv(_HEADER, (_row(one) for kept in series.values() for one in kept)),
        "log.jsonl": _lines(clean_log),
        "events.jsonl": _lines([_clean_event(one) for one in shown]),
        "replayed.jsonl": _lines(recording.events),
        "beliefs.csv": _beliefs(recording),
    }
    part = target.with_name(target.name + ".part")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in parts.items():
                archive.writestr(name, data)
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise ReplayError(f"{target}: can't be written ({error.strerror}); name another place") from None
    return sum(len(kept) for kept in series.values()), recording


def replay_bundle(bundle: Bundle) -> Recording:
    """The same analysis over what is in it. StoreError where it has no readings."""
    about = bundle.about
    return replay_store(
        bundle.settings,
        _Kept(bundle.readings),
        NAME,
        about.from_ms,
        about.to_ms,
        warm_up_days=about.warm_up_days,
        log=bundle.log,
    )


def read_bundle(source: Path) -> Bundle:
    """What is in the file.

    Raises
    ------
    ReplayError
        It can't be read, is no bundle, of a newer version, or damaged; the message says which.
    """
    try:
        with zipfile.ZipFile(source) as archive:
            if sum(one.file_size for one in archive.infolist()) > _MOST_BYTES:
                raise ReplayError(f"{source}: holds more than {_MOST_BYTES // 1_000_000} MB; it is no bundle")
            about = msgspec.json.decode(archive.read("about.json"), type=About)
            if about.form > _FORM:
                raise ReplayError(
                    f"{source}: was made by a newer version ({about.version}); update Rushlight"
                )
            settings = parse_settings(archive.read("settings.toml").decode(), "settings.toml")
            if list(settings.tanks) != [NAME]:
                raise ReplayError(f"{source}: settings.toml must have one tank, {NAME!r}")
            return Bundle(
                about=about,
                settings=settings,
                readings=_series(archive.read("readings.csv").decode(), source),
                log=[
                    msgspec.json.decode(line, type=LogEntry)
                    for line in archive.read("log.jsonl").splitlines()
                ],
                replayed=[
                    msgspec.json.decode(line, type=Event)
                    for line in archive.read("replayed.jsonl").splitlines()
                ],
            )
    except OSError as error:
        raise ReplayError(f"{source}: can't be read ({error.strerror}); check the name") from None
    except SettingsError as error:
        raise ReplayError(f"{source}: {error}") from None
    except KeyError as error:
        raise ReplayError(f"{source}: is no bundle: {error.args[0]}") from None
    except (zipfile.BadZipFile, zipfile.LargeZipFile, ValueError, RuntimeError, NotImplementedError) as error:
        raise ReplayError(f"{source}: is damaged, or no bundle ({error}); have it sent again") from None


def _clean_entry(entry: LogEntry) -> LogEntry | None:
    """Without the keeper's words; None where nothing is left."""
    if not (entry.tests or entry.changed_share is not None or entry.done or entry.calibration):
        return None
    calibration = entry.calibration
    if calibration is not None:
        calibration = msgspec.structs.replace(calibration, against="")
    return msgspec.structs.replace(entry, tank=NAME, text="", calibration=calibration)


def _clean_event(event: Event) -> dict[str, object]:
    """Of an event what has no words of a person in it."""
    found = {name: getattr(event, name) for name in _KEPT}
    return {name: value for name, value in found.items() if value not in (None, "", False)}


def _lines(rows: Sequence[object]) -> bytes:
    return b"".join(msgspec.json.encode(row) + b"\n" for row in rows)


def _csv(header: Sequence[str], rows: Iterator[list[object]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue().encode()


def _row(one: Reading) -> list[object]:
    value = "" if one.value is None else repr(one.value)
    return [time_text(one.time_ms), one.quantity, value, one.flag, one.seq, one.stamp]


def _beliefs(recording: Recording) -> bytes:
    """A row a frame: what was measured, what was believed, what was found."""

    def rows() -> Iterator[list[object]]:
        for sample in recording.samples:
            figures = [sample.seen.get(name, "") for name in QUANTITIES]
            beliefs = [sample.beliefs.get(name, "") for name in BELIEFS]
            yield [time_text(sample.time_ms), *figures, *beliefs, " ".join(sample.found)]

    return _csv(["time", *QUANTITIES, *BELIEFS, "found"], rows())


def _series(text: str, source: Path) -> dict[str, list[Reading]]:
    rows = csv.reader(io.StringIO(text, newline=""))
    if next(rows, []) != _HEADER:
        raise ReplayError(f"{source}: readings.csv, line 1: the header must be {','.join(_HEADER)}")
    series: dict[str, list[Reading]] = {}
    for row in rows:
        try:
            time, quantity, value, flag, seq, stamp = row
            moment = datetime.fromisoformat(time)
            reading = Reading(
                NAME,
                quantity,
                round(moment.timestamp() * 1000),
                float(value) if value else None,
                int(flag),
                int(seq),
                int(stamp),
            )
        except ValueError as error:
            raise ReplayError(f"{source}: readings.csv, line {rows.line_num}: {error}") from None
        if quantity not in QUANTITIES or not math.isfinite(reading.value or 0.0):
            raise ReplayError(f"{source}: readings.csv, line {rows.line_num}: {quantity!r} {value}")
        series.setdefault(quantity, []).append(reading)
    return series
