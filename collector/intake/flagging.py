"""Between wire and store: probe millivolts become pH, and every reading gets its quality flag."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from functools import partial

from rushlight.collector.electrode import ph_from_millivolts
from rushlight.collector.intake.quality import QualityChecker, SeriesQuality
from rushlight.collector.readings import PH, PH_PROBE, TEMPERATURE, Flag, Reading
from rushlight.collector.settings import Settings
from rushlight.collector.store.calibration import TankCalibrations
from rushlight.collector.store.in_hand import Span

__all__ = ["Flagger", "Intake"]

_log = logging.getLogger("rushlight.collector")

WARM_C = 25.0  # where no water temperature is known yet
_SUSPECT = int(Flag.SUSPECT)  # an enum member is slow to compare with


class Flagger:
    """Flags one `series`; good temperatures are handed on to `warm`."""

    __slots__ = ("series", "warm")

    def __init__(self, series: SeriesQuality, warm: Callable[[float], None] | None) -> None:
        self.series = series
        self.warm = warm

    def flag(self, time_ms: int, value: float | None) -> int:
        """As `SeriesQuality.flag`."""
        found = self.series.flag(time_ms, value)
        if self.warm is not None and found < _SUSPECT and value is not None:
            self.warm(value)
        return found

    def passing(self, times_ms: list[int], values: list[float]) -> int:
        """As `SeriesQuality.passing`."""
        done = self.series.passing(times_ms, values)
        if self.warm is not None and done:
            self.warm(values[done - 1])
        return done


class Intake:
    """Flags readings in order of arrival; one for the whole service or replay.

    `quality` holds the state and is saved with the service's other states.
    """

    def __init__(self, settings: Settings) -> None:
        self.quality = QualityChecker()
        self._points = {name: tank.ph_calibration.points for name, tank in settings.tanks.items()}
        self._calibrations: Mapping[str, TankCalibrations] = {}
        self._in_hand: Mapping[str, Mapping[str, Span]] = {}
        self._celsius: dict[str, float] = {}
        self._underivable: set[str] = set()  # tanks of which it is said already

    def warm(self, tank: str, celsius: float) -> None:
        """The water temperature as it was before a restart, for the electrode's first readings."""
        self._celsius[tank] = celsius

    def warmth(self) -> dict[str, float]:
        """The newest good water temperature of each tank, °C."""
        return dict(self._celsius)

    def calibrate(
        self, calibrations: Mapping[str, TankCalibrations], in_hand: Mapping[str, Mapping[str, Span]]
    ) -> None:
        """What the keeper's log says of probes, by tank; and which are in hand, when."""
        self._calibrations, self._in_hand = calibrations, in_hand

    def flagger(self, tank: str, quantity: str) -> Flagger:
        """What flags one series by time and value, for a caller in a hurry; not for `ph_probe`.

        KeyError for an unknown quantity.
        """
        warm = partial(self.warm, tank) if quantity == TEMPERATURE else None
        return Flagger(self.quality.series(tank, quantity), warm)

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
        held: Mapping[str, Span] | None = None
        for reading in readings:
            if reading.tank != tank:  # one report, one tank
                tank = reading.tank
                known = self.quality.known(tank)
                calibrations, held = self._calibrations.get(tank), self._in_hand.get(tank)
            quantity = reading.quantity
            if held and quantity in held:
                begins, ends = held[quantity]
                if begins <= reading.time_ms < ends:
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
