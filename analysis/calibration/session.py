"""A calibration from the first word to the log: live, or by values that are typed."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import NamedTuple

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.calibration.numbers import CALIBRATING
from rushlight.analysis.calibration.steady import Steady
from rushlight.analysis.physics.buffers import buffer_ph
from rushlight.analysis.service.live_readings import LiveReadings
from rushlight.analysis.service.requests import person
from rushlight.collector.electrode import electrode_health
from rushlight.collector.errors import LogError
from rushlight.collector.readings import LIGHT, PH_PROBE, QUANTITIES, TEMPERATURE
from rushlight.collector.settings import CalibrationPoint
from rushlight.collector.store.calibration import Calibration, TankCalibrations, calibration_entry_fault
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.in_hand import let_go, take_in_hand
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["Person", "calibrated_electrode", "calibrated_level", "keep_calibration", "typed_points"]

_SHOW_EACH_S = 2.0


class Person(NamedTuple):
    """Who sits at the terminal.

    `say` shows a line; `ready` shows one and waits until they agree; `celsius` asks for a temperature.
    """

    say: Callable[[str], None]
    ready: Callable[[str], None]
    celsius: Callable[[str], float]


def typed_points(pairs: Sequence[str], celsius: float) -> list[CalibrationPoint]:
    """Points that were typed as BUFFER=MV, as "7.00=+3.2"; LogError says what is wrong."""
    points = []
    for pair in pairs:
        name, _, mv = pair.partition("=")
        try:
            ph, _ = buffer_ph(name, celsius)
            points.append(CalibrationPoint(ph=round(ph, 3), mv=float(mv), temperature_c=celsius))
        except ValueError as error:
            why = str(error) if "buffer" in str(error) else f"{mv!r} are no millivolts"
            raise LogError(f"--point {pair}: {why}; write BUFFER=MV, as 7.00=+3.2") from None
    return points


def calibrated_electrode(
    store: EmbeddedStore,
    tank: str,
    buffers: Sequence[str],
    readings: LiveReadings,
    person_there: Person,
    now_ms: int,
    celsius: float | None,
) -> Calibration:
    """The electrode in one buffer after the other.

    Raises
    ------
    LogError
        It never stood still, or what it gave can't be right: nothing was kept.
    """
    say = person_there.say
    say(CAUTIONS["electrical"])
    say("While the electrode is out of the tank, its readings are kept and not judged.")
    points = []
    for name in buffers:
        try:
            buffer_ph(name, 25.0)  # a slip is said before anything is wet
        except ValueError as error:
            raise LogError(f"--buffer: {error}") from None
    with _Held(store, tank, PH_PROBE, now_ms) as held:
        for name in buffers:
            held.longer()
            person_there.ready(f"Rinse the electrode, put it into the buffer {name} and stir once.")
            warm = person_there.celsius("Temperature of that buffer, °C") if celsius is None else celsius
            try:
                ph, title = buffer_ph(name, warm)
            except ValueError as error:
                raise LogError(str(error)) from None
            say(f"pH {ph:.2f} at {warm:.1f} °C ({title}). Waiting for a steady reading.")
            mv = _until_steady(PH_PROBE, readings, say)
            say(f"steady: {mv:+.1f} mV")
            points.append(CalibrationPoint(ph=round(ph, 3), mv=round(mv, 2), temperature_c=warm))
        found = Calibration(quantity=PH_PROBE, points=tuple(points))
        fault = calibration_entry_fault(found)
        if fault:
            raise LogError(f"nothing was kept: {fault}")
        say(electrode_health(points).words)
        person_there.ready("Rinse the electrode and put it back into the tank.")
    return found


def calibrated_level(
    store: EmbeddedStore,
    tank: str,
    quantity: str,
    reference: float,
    against: str,
    readings: LiveReadings | None,
    person_there: Person | None,
    known: TankCalibrations,
    now_ms: int,
    value: float | None = None,
) -> Calibration:
    """A thermometer or light sensor against a reference; `value` where it was read off and typed."""
    if value is None:
        assert readings is not None and person_there is not None
        where = "into the ice bath" if against == "an ice bath" else "beside the reference"
        person_there.say(CAUTIONS["electrical"])
        with _Held(store, tank, quantity, now_ms):
            person_there.ready(f"Put the probe {where}.")
            shown = _until_steady(quantity, readings, person_there.say)
            # in hand it is stored as the probe gives it
            person_there.ready("Put the probe back to its place.")
    else:
        shown = known.applied(quantity, now_ms).back(value)  # what is shown was corrected already
    if quantity == TEMPERATURE:
        return Calibration(quantity=quantity, offset=round(reference - shown, 3), against=against)
    if shown <= 0:
        raise LogError("the light sensor sees nothing; calibrate it while the lamp is on")
    return Calibration(quantity=LIGHT, factor=round(reference / shown, 4), against=against)


def keep_calibration(
    store: EmbeddedStore, tank: str, calibration: Calibration, time_ms: int, now_ms: int, text: str = ""
) -> LogEntry:
    """Into the keeper's log, from which the running service has it within a second or two."""
    done = ("calibrated",) if calibration.quantity == PH_PROBE else ()
    entry = LogEntry(tank=tank, time_ms=time_ms, calibration=calibration, done=done, text=text)
    return store.add_log(entry, person(), now_ms)


class _Held:
    """The probe is in somebody's hand, for half an hour at most; `longer` begins that half hour again."""

    def __init__(self, store: EmbeddedStore, tank: str, quantity: str, now_ms: int) -> None:
        self._of = (store, tank, quantity)
        self._from_ms = now_ms - round(CALIBRATING.clock_min * 60_000)
        self._until_ms = now_ms + round(CALIBRATING.in_hand_min * 60_000)
        self._began = time.monotonic()

    def __enter__(self) -> _Held:
        self.longer()
        return self

    def longer(self) -> None:
        """Of three buffers the last may still be waited for when half an hour is over."""
        passed_ms = round((time.monotonic() - self._began) * 1000)
        take_in_hand(*self._of, (self._from_ms, self._until_ms + passed_ms))

    def __exit__(self, *_: object) -> None:
        let_go(*self._of)


def _until_steady(quantity: str, readings: LiveReadings, say: Callable[[str], None]) -> float:
    steady, began = Steady(quantity), time.monotonic()
    info, shown = QUANTITIES[quantity], 0.0
    came = 0
    readings.skip()  # what came while it was on its way there
    for reading in readings:
        passed = time.monotonic() - began
        if passed > CALIBRATING.patience_min * 60:
            break
        if reading is None or reading.quantity != quantity:
            continue
        came += 1
        value = steady.take(reading)
        if value is not None:
            return value
        if reading.value is not None and (not shown or passed - shown > _SHOW_EACH_S):
            shown = passed
            say(f"  {reading.value:.{info.decimals}f} {info.printed_unit}, not steady yet")
    if not came:
        raise LogError(f"no {info.title} came; is the device on? See `rushlight listen`")
    if came < CALIBRATING.readings:
        raise LogError(
            f"only {came} readings of the {info.title} came within {CALIBRATING.patience_min:g} min, and "
            f"{CALIBRATING.readings} are needed: let the device report more often, or type what was read off "
            "(--point or --value)"
        )
    raise LogError(
        f"the {info.title} did not stand still within {CALIBRATING.patience_min:g} min; clean the probe, "
        "stir once, keep it still, and try again"
    )
