"""What nobody knows of an electrode is said beside its figure, and makes its range wide."""

from __future__ import annotations

import datetime
import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.explain.curves import Panel
from rushlight.analysis.explain.explanation import _notes
from rushlight.analysis.physics.electrode_trust import (
    CALIBRATED_PH_ERROR,
    CREEP_PH,
    KEEPS_DAYS,
    OLD_PH_ERROR,
    UNCALIBRATED_PH_ERROR,
    ph_trust,
)
from rushlight.analysis.replay.beliefs import RecordingWatch
from rushlight.analysis.views.page.app import PageApp
from rushlight.analysis.views.status import status_lines
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import SettingsError
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import Reading
from rushlight.collector.settings import CalibrationPoint, PhCalibration, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore

NOW = 1_772_330_400_000  # 2026-03-01T02:00Z
TODAY = (datetime.date(2026, 3, 1) - datetime.date(1970, 1, 1)).days
GOOD = [CalibrationPoint(ph=4.0, mv=172.0), CalibrationPoint(ph=7.0, mv=1.0)]
SETTINGS = """
[tanks.shelf]
volume_litres = 54
timezone = "UTC"
[tanks.shelf.water]
carbonate_hardness_dkh = 4.0
[tanks.shelf.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
[tanks.shelf.ph_calibration]
"""


def since(days: int, points: list[CalibrationPoint] | None = None) -> PhCalibration:
    return PhCalibration(
        points=points or [], calibrated=datetime.date(2026, 3, 1) - datetime.timedelta(days=days)
    )


@pytest.mark.parametrize(
    ("calibration", "raw", "state"),
    [
        (since(0), False, "calibrated"),
        (since(0, GOOD), True, "calibrated"),
        (since(KEEPS_DAYS), False, "calibrated"),
        (since(KEEPS_DAYS + 1), False, "old"),
        (since(-1), False, "calibrated"),  # it is a day later elsewhere
        (since(-2), False, "not known"),  # a slip: the day is still to come
        (PhCalibration(), False, "not known"),
        (PhCalibration(points=GOOD), True, "not known"),
        (PhCalibration(), True, "not calibrated"),
        (since(3), True, "not calibrated"),
        (since(3, [CalibrationPoint(ph=4.0, mv=-172.0), GOOD[1]]), True, "not calibrated"),
    ],
)
def test_when_an_electrode_counts_as_calibrated(calibration: PhCalibration, raw: bool, state: str) -> None:
    found = ph_trust(calibration, raw, TODAY)
    assert found.state == state
    assert bool(found.words) is (state != "calibrated")


def test_the_errors() -> None:
    """0.1, 0.15 pH and 31 days are common practice, no source; the others follow from GUM 4.3.7."""
    assert (CALIBRATED_PH_ERROR, CREEP_PH, KEEPS_DAYS) == (0.1, 0.15, 31)
    assert pytest.approx(0.1803, abs=1e-4) == OLD_PH_ERROR
    # ±30 mV at 59.16 mV a pH (Nernst, 25 °C) is ±0.507 pH; a uniform spread of half-width a has a/√3
    assert pytest.approx(30 / 59.159 / math.sqrt(3), abs=1e-4) == UNCALIBRATED_PH_ERROR
    assert CALIBRATED_PH_ERROR < OLD_PH_ERROR < UNCALIBRATED_PH_ERROR


@given(st.integers(-400, 4000), st.integers(0, 400), st.booleans())
def test_age_makes_no_electrode_better(days: int, more: int, raw: bool) -> None:
    if days >= -1:
        assert (
            ph_trust(since(days + more, GOOD), raw, TODAY).error
            >= ph_trust(since(days, GOOD), raw, TODAY).error
        )


def shown(folder: Path, calibration: str, quantity: str, value: float) -> tuple[str, str]:
    """`status` and the page after an hour of readings as a board sends them."""
    settings = parse_settings(SETTINGS + calibration, str(folder / "rushlight.toml"))
    watch, intake = TankWatch("shelf", settings.tanks["shelf"]), Intake(settings)
    readings = [
        reading
        for minute in range(60, 0, -1)
        for name, level in (("temperature", 24.0 + minute % 2 / 16), (quantity, value + minute % 3 / 100))
        for reading in intake.take(Reading("shelf", name, NOW - minute * 60_000, level))
    ]
    for reading in readings:
        watch.feed(reading)
    with EmbeddedStore(settings.store_path()) as store:
        with store.transaction():
            store.add_readings(readings)
            store.save_state(ANALYSIS_STATE, "shelf", watch.snapshot(), 0)
        text = "\n".join(line.plain for line in status_lines(settings, store, NOW))
    page = PageApp(settings, settings.store_path(), lambda: NOW, lambda: True)
    try:
        document = bytes(page._page(None).body).decode()  # type: ignore[arg-type]
    finally:
        page.close()
    return text, document


@pytest.mark.parametrize(
    ("calibration", "quantity", "value", "words", "ph_error"),
    [
        ("calibrated = 2026-02-20", "ph", 6.8, "", 0.1),
        ("", "ph", 6.8, "when the electrode was calibrated is not known", 0.18),
        ("calibrated = 2025-11-01", "ph", 6.8, "the electrode was calibrated 120 days ago", 0.18),
        ("", "ph_probe", 11.8, "the electrode is not calibrated", 0.29),
    ],
)
def test_it_is_said_wherever_the_figure_is(
    tmp_path: Path, calibration: str, quantity: str, value: float, words: str, ph_error: float
) -> None:
    """The range is e to the error of the estimate's logarithm, √((ln 10 · pH error)² + (KH error / KH)²)."""
    text, document = shown(tmp_path, calibration, quantity, value)
    match = re.search(r"CO2, .* (\d+) mg/L   likely (\d+) to (\d+)", text)
    assert match is not None, text
    mid, low, high = (int(part) for part in match.groups())
    spread = math.exp(math.hypot(math.log(10) * ph_error, 0.6 / 4))
    assert mid == pytest.approx(21.5, abs=1.0)  # KH 4 dKH, 24 °C, pH 6.80 to 6.81: test_water.py
    assert low == pytest.approx(21.5 / spread, abs=1.0) and high == pytest.approx(21.5 * spread, abs=1.5)
    for said in (text, document):
        assert f"likely {low} to {high}, limit 30" in said
        # beside the pH and beside the CO2
        assert said.count(words) == 2 if words else "electrode" not in said


def test_the_judgement_takes_the_error_that_is_shown(tmp_path: Path) -> None:
    """An alarm names the doubt in what it has seen; replay's beliefs have the error."""
    for calibration, error in (("calibrated = 2026-02-28", 0.1), ("", OLD_PH_ERROR)):
        settings = parse_settings(SETTINGS + calibration)
        watch = RecordingWatch("shelf", settings.tanks["shelf"], 0)
        events = [
            event
            for minute in range(60)
            for name, level in (("temperature", 24.0), ("ph", 6.1 + minute % 3 / 100))
            for event in watch.feed(Reading("shelf", name, NOW + minute * 60_000, level))
        ]
        (event,) = [event for event in events if event.event == "raised"]
        assert event.alarm == "co2-overdose"
        assert ("calibrated is not known" in event.observations[0]) is (calibration == "")
        assert "calibrated is not known" in event.detail or calibration
        notes = list(_notes(True, [Panel("pH", "", 2, [])], watch))
        assert [n.startswith("The pH and what follows") for n in notes] == [True] * (calibration == "")
        assert not list(_notes(True, [Panel("light", "lx", 0, [])], watch))
        assert watch.samples[-1].beliefs["ph_error"] == pytest.approx(error)
        assert watch.of(CarbonDioxideDetector).curve.ph_error == pytest.approx(error)


def test_a_corrected_hardness_reaches_the_estimate_after_a_restart() -> None:
    """The factor that is kept with the state is that of its KH."""
    first = TankWatch("shelf", parse_settings(SETTINGS).tanks["shelf"])
    for minute in range(20):
        for name, level in (("temperature", 24.0), ("ph", 6.8)):
            first.feed(Reading("shelf", name, NOW + minute * 60_000, level))
    corrected = parse_settings(SETTINGS.replace("dkh = 4.0", "dkh = 8.0"))
    again = TankWatch("shelf", corrected.tanks["shelf"])
    again.restore(first.snapshot())
    before = first.of(CarbonDioxideDetector).estimate(first.tank, 6.8, 24.0)
    after = again.of(CarbonDioxideDetector).estimate(again.tank, 6.8, 24.0)
    assert before is not None and after is not None
    assert after.mg_l / before.mg_l == pytest.approx(2.0, rel=0.05)


def test_a_date_that_is_none_is_named() -> None:
    with pytest.raises(SettingsError, match=r"ph_calibration\.calibrated: .*date"):
        parse_settings(SETTINGS + 'calibrated = "last week"')
    with pytest.raises(SettingsError, match=r"ph_calibration\.calibrated: must be a date"):
        parse_settings(SETTINGS + "calibrated = 3")
