"""`rushlight export` and `rushlight import`: readings to CSV or Parquet and back, other tables out."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Literal, TypeVar

from rushlight.analysis.how_installed import how_to_add
from rushlight.analysis.replay.around import moment_in
from rushlight.collector.errors import RushlightError, SettingsError, StoreError
from rushlight.collector.influx.state import drain_report
from rushlight.collector.service.parts import settings_of_tank, settings_of_whole
from rushlight.collector.settings import Settings
from rushlight.collector.store import tables_out
from rushlight.collector.store.calibration import TankCalibrations
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import export_csv, export_parquet, import_csv, import_parquet
from rushlight.collector.store.recalibrated import RecalibratedSource, calibrations_of
from rushlight.collector.store.records import ReadingSource
from rushlight.collector.store.service_lock import ServiceLock

__all__ = ["export_readings", "export_set_aside", "export_summaries", "import_readings"]

_AHEAD_MS = 86_400_000  # the two clocks may be a time zone apart (common practice, no source)

_Form = TypeVar("_Form")


def export_readings(
    settings: Settings,
    file: str,
    tank: str | None,
    start: str | None,
    end: str | None,
    here: bool = False,
    quantities: Sequence[str] = (),
) -> str:
    """Write readings to `file`, whose suffix says the form; returns a sentence.

    Parameters
    ----------
    tank : str or None
        One tank; None: all that the store has, in the settings or not.
    start, end : str or None
        `start <= time < end`; without an offset by the clock of the tank, or of the first one.
    here : bool
        From the local file, although the settings name a server.
    quantities : sequence of str
        Only these; none: all.

    Raises
    ------
    SettingsError
        The suffix or a moment can't be made out, there is no such tank, or there are several local files.
    StoreError
        The store can't be read, or the file not written.
    """
    write = _by_suffix(file, export_csv, export_parquet)
    span = _span(settings, tank, start, end)
    with closing(_source(settings, tank, here)) as source:
        _check_tank(settings, source, tank)
        seen = RecalibratedSource(source, _calibrations(settings, tank, source))
        count = write(seen, file, tank, span[0], span[1], quantities or None)
        if isinstance(source, EmbeddedStore):
            return f"{count} readings from {source.path} written to {file}"
    return f"{count} readings from {settings.store.url} written to {file}{_behind(settings)}"


def export_summaries(
    settings: Settings,
    file: str,
    step: Literal["hourly", "daily"],
    tank: str | None,
    start: str | None,
    end: str | None,
    quantities: Sequence[str] = (),
) -> str:
    """As `export_readings`, the lowest, mean and highest of each hour or day, from the local file."""
    _csv_only(file)
    first_ms, last_ms = _span(settings, tank, start, end)
    with _local(settings, tank) as store:
        _check_tank(settings, store, tank)
        count = tables_out.export_summaries(store, file, step, tank, first_ms, last_ms, quantities or None)
        return f"{count} {step} summaries from {store.path} written to {file}"


def export_set_aside(settings: Settings, file: str) -> str:
    """Write the payloads that could not be read to `file`; errors as `export_readings`."""
    _csv_only(file)
    with _local(settings, None) as store:
        count = tables_out.export_set_aside(store, file)
        return f"{count} payloads that could not be read, from {store.path}, written to {file}"


def import_readings(settings: Settings, files: Sequence[str], now_ms: int) -> list[str]:
    """Add the readings of files to the local store; returns a sentence for each file.

    A reading of more than a day after `now_ms` is refused: a clock was wrong.

    Raises
    ------
    SettingsError
        A suffix can't be made out, or there are several local files.
    ReplayError, StoreError
        A file can't be read, or not all of it was kept; a running service holds the store.
    """
    reads = [_by_suffix(file, import_csv, import_parquet) for file in files]
    path = settings_of_whole(settings).store_path()
    said = []
    with ServiceLock(path), EmbeddedStore(path) as store:
        for file, read in zip(files, reads, strict=True):
            said.append(f"{file}: {read(store, file, now_ms + _AHEAD_MS)} readings were new in {path}")
    return said


def _csv_only(file: str) -> None:
    if Path(file).suffix.lower() != ".csv":
        raise SettingsError(f"{file}: name it .csv; only readings are written as Parquet")


def _span(
    settings: Settings, tank: str | None, start: str | None, end: str | None
) -> tuple[int | None, int | None]:
    """`--from` and `--to` as ms UTC."""
    zones = [settings.tanks[tank]] if tank in settings.tanks else list(settings.tanks.values())
    zone = zones[0].timezone if zones else "UTC"
    span = []
    for option, text in (("--from", start), ("--to", end)):
        try:
            span.append(None if text is None else moment_in(text, zone))
        except ValueError as error:
            raise SettingsError(f"{option}: {error}") from None
    return span[0], span[1]


def _check_tank(settings: Settings, source: ReadingSource, tank: str | None) -> None:
    if tank is not None and tank not in settings.tanks and tank not in source.tanks():
        known = list(dict.fromkeys([*settings.tanks, *source.tanks()]))
        raise SettingsError(
            f"--tank: there is no tank {tank!r}, neither in {settings.path} nor in the store; known are "
            f"{', '.join(known) or 'none'}"
        )


def _source(settings: Settings, tank: str | None, here: bool) -> ReadingSource:
    if settings.store.kind == "influxdb" and not here:
        from rushlight.collector.influx.reader import InfluxReadings

        return InfluxReadings(settings.store)
    return _local(settings, tank)


def _calibrations(settings: Settings, tank: str | None, source: ReadingSource) -> dict[str, TankCalibrations]:
    """By tank, from the local file: the keeper's log is in no other place."""
    if isinstance(source, EmbeddedStore):
        return calibrations_of(source, settings.tanks)
    try:
        with _local(settings, tank) as store:
            return calibrations_of(store, settings.tanks)
    except (StoreError, SettingsError):
        return {}


def _local(settings: Settings, tank: str | None) -> EmbeddedStore:
    own = settings_of_whole(settings) if tank is None else settings_of_tank(settings, tank)
    return EmbeddedStore(own.store_path(), read_only=True)


def _behind(settings: Settings) -> str:
    """What to know where the server has not taken all that has arrived."""
    path = settings.store_path()
    try:
        with EmbeddedStore(path, read_only=True) as store:
            report = drain_report(store, settings.store)
    except StoreError:
        return ""  # the server is enough for an export
    if report is None or not (report.waiting or report.copying_from_ms is not None):
        return ""
    more = " and older ones" if report.copying_from_ms is not None else ""
    return f"; {report.waiting} newer readings{more} are in {path} only so far: --local exports from there"


def _by_suffix(file: str, csv: _Form, parquet: _Form) -> _Form:
    suffix = Path(file).suffix.lower()
    if suffix == ".csv":
        return csv
    if suffix != ".parquet":
        raise SettingsError(f"{file}: name it .csv or .parquet, so that its form is known")
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise RushlightError(
            f"{file}: Parquet needs the package pyarrow; to add it: {how_to_add('pyarrow')}; or name a .csv"
        ) from None
    return parquet
