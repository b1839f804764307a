"""Between wire and store: probe millivolts become pH, and every reading gets its quality flag."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping

from rushlight.collector.electrode import ph_from_millivolts
from rushlight.collector.intake.quality import QualityChecker, SeriesQuality
from rushlight.collector.readings import PH, PH_PROBE, TEMPERATURE, Flag, Reading
from rushlight.collector.settings import Settings
from rushlight.collector.store.calibration import TankCalibrations

__all__ = ["Intake"]

_log = logging.getLogger("rushlight.collector")

WARM_C = 25.0  # where no water temperature is known yet
_SUSPECT = int(Flag.SUSPECT)  # an enum member is slow to compare with
# no probe is in hand for longer (`rushlight calibrate` gives half an hour): what a device kept from before
# is the tank's, and so is all that comes after the clock was put back
_LONGEST_IN_HAND_MS = 60 * 60_000


class Intake:
    """Flags readings in order of arrival; one for the whole service or replay.

    `quality` holds the state and is saved with the service's other states.
    """

    def __init__(self, settings: Settings) -> None:
        self.quality = QualityChecker()
        self._points = {name: tank.ph_calibration.points for name, tank in settings.tanks.items()}
        self._calibrations: Mapping[str, TankCalibrations] = {}
        self._in_hand: Mapping[str, Mapping[str, int]] = {}
        self._celsius: dict[str, float] = {}
        self._underivable: set[str] = set()  # tanks of which it is said already

    def warm(self, tank: str, celsius: float) -> None:
        """The water temperature as it was before a restart, for the electrode's first readings."""
        self._celsius[tank] = celsius

    def warmth(self) -> dict[str, float]:
        """The newest good water temperature of each tank, °C."""
        return dict(self._celsius)

    def calibrate(
        self, calibrations: Mapping[str, TankCalibrations], in_hand: Mapping[str, Mapping[str, int]]
    ) -> None:
        """What the keeper's log says of probes, by tank; and which are in hand until when (ms UTC)."""
        self._calibrations, self._in_hand = calibrations, in_hand

    def flagger(self, tank: str, quantity: str) -> Callable[[int, float | None], int]:
        """What flags one series by time and value, for a caller in a hurry; not for `ph_probe`.

        KeyError for an unknown quantity.
        """
        flag = self.quality.series(tank, quantity).flag
        if quantity != TEMPERATURE:
            return flag
        celsius, suspect = self._celsius, _SUSPECT

        def flag_temperature(time_ms: int, value: float | None) -> int:
            found = flag(time_ms, value)
            if found < suspect and value is not None:
                celsius[tank] = value
            return found

        return flag_temperature

    def take(self, reading: Reading) -> list[Reading]:
        """The flagged reading, and behind `ph_probe` the `ph` that is derived from it.

        Where it can't be derived, that `ph` is without a value, as of a probe that can't be read: it costs
        itself only, and its absence is noticed.
        """
        return self.take_all([reading])

    def take_all(self, readings: Iterable[Reading]) -> list[Reading]:
        """The same for several, in order of arrival."""
        found: list[Reading] = []
        tank: str | None = None
        known: dict[str, SeriesQuality] = {}
        calibrations: TankCalibrations | None = None
        held: Mapping[str, int] | None = None
        for reading in readings:
            if reading.tank != tank:  # one report, one tank
                tank = reading.tank
                known = self.quality.known(tank)
                calibrations, held = self._calibrations.get(tank), self._in_hand.get(tank)
            quantity = reading.quantity
            if held is not None and 0 < held.get(quantity, 0) - reading.time_ms <= _LONGEST_IN_HAND_MS:
                found += self._of_a_hand(reading)
                continue
            if calibrations is not None and reading.value is not None and quantity != PH_PROBE:
                reading.value = calibrations.applied(quantity, reading.time_ms).of(reading.value)
            series = known.get(quantity)
            if series is None:
                flag = self.quality.flag(reading)
            else:
                reading.flag = flag = series.flag(reading.time_ms, reading.value)
            found.append(reading)
            if quantity == TEMPERATURE:
                if flag < _SUSPECT and reading.value is not None:
                    self._celsius[reading.tank] = reading.value
            elif quantity == PH_PROBE:
                found.append(self._derived(reading))
        return found

    def _of_a_hand(self, reading: Reading) -> list[Reading]:
        """In a buffer or in ice: kept as it is, and nothing is judged by it or learnt from it."""
        reading.flag = int(Flag.FAIL)
        if reading.quantity != PH_PROBE:
            return [reading]
        ph = Reading(reading.tank, PH, reading.time_ms, None, int(Flag.FAIL), reading.seq, reading.stamp)
        return [reading, ph]

    def _derived(self, reading: Reading) -> Reading:
        value = None
        if reading.value is not None and reading.flag != Flag.FAIL:
            celsius = self._celsius.get(reading.tank, WARM_C)
            try:
                known = self._calibrations.get(reading.tank)
                points = (
                    self._points.get(reading.tank, []) if known is None else known.points(reading.time_ms)
                )
                value = ph_from_millivolts(reading.value, celsius, points)
                self._underivable.discard(reading.tank)
            except (ValueError, ArithmeticError) as error:
                if reading.tank not in self._underivable:
                    self._underivable.add(reading.tank)
                    _log.warning(
                        "%s: no pH can be derived from its electrode (%s); look at tanks.%s.ph_calibration",
                        reading.tank,
                        error,
                        reading.tank,
                    )
        derived = Reading(reading.tank, PH, reading.time_ms, value, seq=reading.seq, stamp=reading.stamp)
        self.quality.flag(derived)
        return derived
