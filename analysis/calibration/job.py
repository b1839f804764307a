"""What `rushlight calibrate` does, from settings and what was typed to lines for a person."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import nullcontext
from typing import NamedTuple

from rushlight.analysis.calibration import session
from rushlight.analysis.calibration.history import history_lines
from rushlight.analysis.service.live_readings import live_readings
from rushlight.analysis.service.log_input import log_store, moment_typed, undone
from rushlight.collector.errors import LogError
from rushlight.collector.readings import LIGHT, PH, PH_PROBE, TEMPERATURE
from rushlight.collector.service import listener
from rushlight.collector.settings import Settings
from rushlight.collector.store.calibration import Calibration, TankCalibrations
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.recalibrated import calibrations_of

__all__ = ["Asked", "calibrate", "history", "undo"]


class Asked(NamedTuple):
    """What was typed."""

    tank: str
    what: str
    buffers: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    celsius: float | None = None
    ice: bool = False
    reference: float | None = None
    value: float | None = None
    at: str | None = None


def history(settings: Settings, tank: str) -> list[str]:
    """Every calibration of a tank that counts."""
    with log_store(settings, tank, read_only=True) as store:
        return history_lines(settings.tanks[tank], store.log(tank), listener.system_clock())


def undo(settings: Settings, tank: str, number: int) -> list[str]:
    """Take one back; what was stored by it is had again by the one before."""
    with log_store(settings, tank) as store:
        entries = {entry.id: entry for entry in store.log(tank)}
        if number in entries and entries[number].calibration is None:
            raise LogError(f"{tank}: entry {number} is no calibration; see `rushlight note {tank} --list`")
        return [
            undone(settings, tank, store, number, listener.system_clock()),
            "Exports, reports and replays show its readings by the calibration before it.",
        ]


def calibrate(settings: Settings, asked: Asked, person: session.Person) -> Iterator[str]:
    """Calibrate; lines about what came of it.

    Raises
    ------
    SettingsError, StoreError, LinkLost
        No such tank or store, or nothing to listen to.
    LogError
        It did not come to a calibration; nothing was kept.
    """
    with log_store(settings, asked.tank) as store:
        now_ms = listener.system_clock()
        known = calibrations_of(store, settings.tanks).get(
            asked.tank, TankCalibrations([], settings.tanks[asked.tank].ph_calibration.points)
        )
        when_ms = None
        if asked.what == "ph":
            _must_be_raw(store, asked.tank)
            if asked.at is not None:
                when_ms = moment_typed(asked.at, settings.tanks[asked.tank].timezone, now_ms)
            found = _electrode(settings, asked, store, person, now_ms)
        else:
            found = _level(settings, asked, store, person, known, now_ms)
        now_ms = listener.system_clock()
        entry = session.keep_calibration(
            store, asked.tank, found, now_ms if when_ms is None else when_ms, now_ms
        )
        yield f"kept as {entry.id}: {entry.words()}"
        yield from history_lines(settings.tanks[asked.tank], store.log(asked.tank), now_ms)[-2:][
            : 2 if asked.what == "ph" else 0
        ]
        yield (
            "It counts from its own time on; a running service has it within ten seconds. To take it back: "
            f"rushlight calibrate {asked.tank} --undo {entry.id}"
        )


def _must_be_raw(store: EmbeddedStore, tank: str) -> None:
    sent = store.quantities(tank)
    if PH_PROBE not in sent and PH in sent:
        raise LogError(
            f"{tank}: its device sends finished pH, so it is calibrated on the device; note it with "
            f"`rushlight note {tank} --calibrated`. To calibrate here, let it send `{PH_PROBE}` in mV"
        )


def _electrode(
    settings: Settings, asked: Asked, store: EmbeddedStore, person: session.Person, now_ms: int
) -> Calibration:
    if asked.points:
        if asked.celsius is None:
            raise LogError("--point needs --celsius, the temperature of the buffers")
        return Calibration(quantity=PH_PROBE, points=tuple(session.typed_points(asked.points, asked.celsius)))
    with live_readings(settings, asked.tank) as readings:
        return session.calibrated_electrode(
            store, asked.tank, asked.buffers, readings, person, now_ms, asked.celsius
        )


def _level(
    settings: Settings,
    asked: Asked,
    store: EmbeddedStore,
    person: session.Person,
    known: TankCalibrations,
    now_ms: int,
) -> Calibration:
    quantity = TEMPERATURE if asked.what == "temperature" else LIGHT
    reference = 0.0 if asked.ice else asked.reference
    assert reference is not None
    unit = "°C" if quantity == TEMPERATURE else "lx"
    against = "an ice bath" if asked.ice else f"a reference of {reference:g} {unit}"
    with nullcontext() if asked.value is not None else live_readings(settings, asked.tank) as readings:
        return session.calibrated_level(
            store, asked.tank, quantity, reference, against, readings, person, known, now_ms, asked.value
        )
