"""What is taken as a calibration, from when until when it was applied, and pH out of stored millivolts.

The slope of an electrode is Nernst's: 59.16 mV a pH at 25 °C (IUPAC 2002, Buck et al.). The limits are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import CalibrationPoint, parse_settings
from rushlight.collector.store import calibration
from rushlight.collector.store.calibration import (
    LEAD_MS,
    Calibration,
    TankCalibrations,
    WrittenCalibration,
    calibration_entry_fault,
)
from rushlight.collector.store.recalibrated import Recalibrated, RecalibratedSource, calibrations_of

NOW = 1_772_330_400_000
HOUR = 3_600_000
NERNST_MV = 59.16
BUFFERS = (CalibrationPoint(ph=7.0, mv=0.0), CalibrationPoint(ph=4.0, mv=3 * NERNST_MV))
HIGHER = (CalibrationPoint(ph=7.0, mv=NERNST_MV / 2), CalibrationPoint(ph=4.0, mv=3.5 * NERNST_MV))
"""The same electrode, half a pH off."""


def test_what_can_be_a_calibration() -> None:
    for quantity, name, right, wrong in (
        ("temperature", "offset", (-5.0, 0.0, 5.0), (-5.1, 5.1, float("nan"))),
        ("light", "factor", (0.1, 1.0, 10.0), (0.09, 10.1, float("nan"))),
    ):
        faults = [
            calibration_entry_fault(Calibration(quantity=quantity, **{name: value}))  # type: ignore[arg-type]
            for value in (*right, *wrong)
        ]
        assert [bool(fault) for fault in faults] == [False] * 3 + [True] * 3, faults
    assert "can't be calibrated" in calibration_entry_fault(Calibration(quantity="ph"))
    third = CalibrationPoint(ph=9.0, mv=-2 * NERNST_MV)
    fourth = CalibrationPoint(ph=10.5, mv=-3.5 * NERNST_MV)
    for points, fault in ((BUFFERS, False), ((*BUFFERS, third), False), ((), True)):
        assert bool(calibration_entry_fault(Calibration(quantity="ph_probe", points=points))) is fault
    said = calibration_entry_fault(Calibration(quantity="ph_probe", points=(*BUFFERS, third, fourth)))
    assert "one to three" in said


@pytest.mark.parametrize(
    ("slope", "offset", "fault"),
    [
        (50.0, 0.0, ""),
        (49.9, 0.0, "a slope of 50 %"),
        (110.0, 60.0, ""),
        (110.1, 0.0, "a slope of 110 %"),
        (None, -60.0, ""),
        (None, 60.1, "+60 mV"),
        (100.0, -60.1, "-60 mV"),
    ],
)
def test_how_far_an_electrode_may_be_off(
    monkeypatch: pytest.MonkeyPatch, slope: float | None, offset: float, fault: str
) -> None:
    found = SimpleNamespace(slope_percent=slope, offset_mv=offset)
    monkeypatch.setattr(calibration, "electrode_health", lambda points: found)
    said = calibration_entry_fault(Calibration(quantity="ph_probe", points=BUFFERS))
    assert said.startswith(fault) and bool(said) is bool(fault)


def test_a_calibration_says_what_was_compared_with_what() -> None:
    warm = Calibration(quantity="temperature", offset=-0.4, against="a kitchen thermometer")
    assert warm.words() == "calibrated the thermometer against a kitchen thermometer: by -0.40 °C"
    assert Calibration(quantity="light", factor=1.5).words() == "calibrated the light sensor: × 1.500"


def test_a_correction_was_applied_until_the_service_knew_of_its_end() -> None:
    found = Calibration(quantity="temperature", offset=1.0)
    known = TankCalibrations([WrittenCalibration("sill", NOW, found, NOW, NOW + HOUR)])
    offsets = [
        known.applied("temperature", at).offset
        for at in (NOW + LEAD_MS - 1, NOW + LEAD_MS, NOW + HOUR + LEAD_MS - 1, NOW + HOUR + LEAD_MS)
    ]
    assert offsets == [0.0, 1.0, 1.0, 0.0]


class Source:
    """Readings in memory; says when it was closed."""

    def __init__(self, *readings: Reading) -> None:
        self._all = sorted(readings, key=lambda one: (one.time_ms, one.seq))
        self.closed = False

    def readings(
        self, tank: str, quantity: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> Iterator[Reading]:
        for one in self._all:
            wanted = one.tank == tank and one.quantity == quantity
            if wanted and (start_ms is None or one.time_ms >= start_ms):
                yield Reading(one.tank, one.quantity, one.time_ms, one.value, one.flag, one.seq)

    def columns(self, *_: Any) -> str:
        return "as it is stored"

    def close(self) -> None:
        self.closed = True


def electrode(mv: float | None, ph: float | None, at_ms: int = NOW, seq: int = 0) -> list[Reading]:
    return [
        Reading("sill", "ph_probe", at_ms, mv, Flag.PASS, seq),
        Reading("sill", "ph", at_ms, ph, Flag.PASS, seq),
    ]


def water(celsius: float | None, at_ms: int, flag: Flag = Flag.PASS, seq: int = 0) -> Reading:
    return Reading("sill", "temperature", at_ms, celsius, flag, seq)


def noted(*points: CalibrationPoint) -> dict[str, TankCalibrations]:
    found = Calibration(quantity="ph_probe", points=points or HIGHER)
    return {"sill": TankCalibrations([WrittenCalibration("sill", NOW - HOUR, found, NOW, None)])}


def again(*readings: Reading, start_ms: int | None = None) -> list[float | None]:
    found = Recalibrated(Source(*readings), noted()).readings("sill", "ph", start_ms)
    return [None if one.value is None else round(one.value, 3) for one in found]


def test_ph_is_had_again_from_the_millivolts_at_the_temperature_of_the_water() -> None:
    # 0 mV is half a pH above 7 by these buffers; Nernst's slope goes with the absolute temperature
    assert again(*electrode(0.0, 7.0)) == [7.5]  # no temperature is known: 25 °C
    cold = round(7 + 0.5 * 298.15 / 278.15, 3)
    assert again(water(5.0, NOW), *electrode(0.0, 7.0)) == [cold]
    # of the same report or before, not after
    assert again(water(25.0, NOW - HOUR), *electrode(0.0, 7.0), water(5.0, NOW + 1)) == [7.5]
    # what can't be believed, or was not read, changes nothing
    for other in (water(5.0, NOW - 1, Flag.SUSPECT), water(5.0, NOW - 1, Flag.FAIL), water(None, NOW - 1)):
        assert again(water(25.0, NOW - HOUR), other, *electrode(0.0, 7.0)) == [7.5]


def test_the_water_of_before_the_span_counts_for_an_hour() -> None:
    for before_ms, ph in ((HOUR, round(7 + 0.5 * 298.15 / 278.15, 3)), (HOUR + 1, 7.5)):
        readings = water(5.0, NOW - before_ms), *electrode(0.0, 7.0)
        assert again(*readings, start_ms=NOW) == [ph]


def test_a_ph_without_its_millivolts_stays_as_it_is_stored() -> None:
    assert again(Reading("sill", "ph", NOW, 6.9, Flag.PASS, 0)) == [6.9]
    assert again(*electrode(None, 6.9)) == [6.9]
    assert again(*electrode(0.0, None)) == [None]
    # of another report, by its time or by its number
    for at_ms, seq in ((NOW - 1000, 0), (NOW, 0)):
        probe, _ = electrode(0.0, 7.0, at_ms, seq)
        assert again(probe, Reading("sill", "ph", NOW, 6.9, Flag.PASS, 1)) == [6.9]


def test_each_tank_has_its_own_points_before_the_first_of_its_log() -> None:
    text = """
[tanks.sill]
volume_litres = 30
timezone = "UTC"
[tanks.sill.livestock]
temperature_low_c = 18
temperature_high_c = 26
[tanks.sill.ph_calibration]
points = [{ph=7.0, mv=0.0}, {ph=4.0, mv=177.5}]
"""
    found = Calibration(quantity="ph_probe", points=HIGHER)
    log: Any = SimpleNamespace(
        calibrations=lambda: [WrittenCalibration(name, NOW, found, NOW, None) for name in ("sill", "gone")]
    )
    known = calibrations_of(log, parse_settings(text).tanks)
    assert [point.mv for point in known["sill"].points(NOW - 1)] == [0.0, 177.5]
    assert known["gone"].points(NOW - 1) == []
    assert known["gone"].points(NOW) == known["sill"].points(NOW) == list(HIGHER)


def test_an_export_shows_what_is_known_now_and_closes_what_is_behind_it() -> None:
    source: Any = Source(*electrode(0.0, 7.0))
    export = RecalibratedSource(source, noted())
    assert np.round(export.columns("sill", "ph").value, 3).tolist() == [7.5]
    assert export.columns("porch", "ph") == "as it is stored"  # type: ignore[comparison-overlap]
    export.close()
    assert source.closed
