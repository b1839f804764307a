"""What nobody knows of an electrode is said beside its figure, and makes its range wide."""

from __future__ import annotations

import datetime
import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.requests import Request

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.explain.curves import Panel
from rushlight.analysis.explain.explanation import _notes
from rushlight.analysis.physics.carbon_dioxide import log_error
from rushlight.analysis.physics.electrode_trust import old_ph_error, ph_trust, uncalibrated_ph_error
from rushlight.analysis.physics.numbers import ELECTRODE, WATER
from rushlight.analysis.replay.beliefs import RecordingWatch
from rushlight.analysis.views.access.records import EVERYBODY
from rushlight.analysis.views.page.app import PageApp
from rushlight.analysis.views.page.desk import Desk
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
        (since(ELECTRODE.keeps_days), False, "calibrated"),
        (since(ELECTRODE.keeps_days + 1), False, "old"),
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
    assert (ELECTRODE.calibrated_ph, ELECTRODE.creep_ph, ELECTRODE.keeps_days) == (0.1, 0.15, 31)
    assert old_ph_error() == pytest.approx(0.1803, abs=1e-4)
    # ±30 mV at 59.16 mV a pH (Nernst, 25 °C) is ±0.507 pH; a uniform spread of half-width a has a/√3
    assert uncalibrated_ph_error() == pytest.approx(30 / 59.159 / math.sqrt(3), abs=1e-4)
    assert ELECTRODE.calibrated_ph < old_ph_error() < uncalibrated_ph_error()


def test_the_error_of_hardness_is_that_of_a_drop_either_way() -> None:
    """A value anywhere within ±1 dKH has a standard error of 1/√3 (rectangular distribution; GUM 4.3.7)."""
    assert WATER.kh_error_dkh == pytest.approx(1 / math.sqrt(3), abs=0.05)
    assert log_error(0.0, 4.0) == pytest.approx(0.6 / 4)
    assert log_error(0.1, 1e9) == pytest.approx(math.log(10) * 0.1)
    # 0.1 pH is a factor 10^0.1 = 1.259, 0.6 dKH of 4 is 15 %; together sqrt(0.2303² + 0.15²) = 0.2748
    assert log_error(0.1, 4.0) == pytest.approx(0.2748, abs=1e-4)


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
    page = PageApp(Desk(settings, settings.store_path(), lambda: NOW, lambda: True))
    try:
        request = Request({"type": "http", "method": "GET", "path": "/", "headers": [], "query_string": b""})
        document = bytes(page._shown.front(request, EVERYBODY).body).decode()
    finally:
        page.close()
    return text, document


@pytest.mark.parametrize(
    ("calibration", "quantity", "value", "words", "ph_error"),
    [
        ("calibrated = 2026-02-20", "ph", 6.8, "", 0.1),
        ("", "ph", 6.8, "calibration is not known (ph_calibration.calibrated)", 0.18),
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
    for calibration, error in (("calibrated = 2026-02-28", 0.1), ("", old_ph_error())):
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
        assert ("calibration is not known" in event.observations[0]) is (calibration == "")
        assert "calibration is not known" in event.detail or calibration
        notes = list(_notes(True, [Panel("pH", "", 2, [])], watch))
        assert [n.startswith("The pH, and the CO2 estimated from it") for n in notes] == [True] * (
            calibration == ""
        )
        assert not list(_notes(True, [Panel("light", "lx", 0, [])], watch))
        assert watch.samples[-1].beliefs["ph_error"] == pytest.approx(error)
        assert watch.of(CarbonDioxideDetector).curve.ph_error == pytest.approx(error)


def judged_after(watch: TankWatch, minutes: range) -> float:
    """mg/L of CO2 that was judged by last, after readings of 24.0 °C and pH 6.8."""
    for minute in minutes:
        for name, level in (("temperature", 24.0), ("ph", 6.8)):
            watch.feed(Reading("shelf", name, NOW + minute * 60_000, level))
    shown = watch.of(CarbonDioxideDetector).shown
    assert shown is not None and watch.beliefs()["co2_mg_l"] == shown.gas.mg_l
    return shown.gas.mg_l


def test_a_corrected_hardness_reaches_the_estimate_after_a_restart() -> None:
    """The water stays at one temperature: nothing that is kept by it may stand for another KH."""
    first = TankWatch("shelf", parse_settings(SETTINGS).tanks["shelf"])
    before = judged_after(first, range(20))
    same, corrected = (
        TankWatch("shelf", parse_settings(SETTINGS.replace("dkh = 4.0", f"dkh = {kh}")).tanks["shelf"])
        for kh in (4.0, 8.0)
    )
    for watch in (same, corrected):
        watch.restore(first.snapshot())
    assert judged_after(same, range(20, 30)) == pytest.approx(before)
    assert judged_after(corrected, range(20, 30)) / before == pytest.approx(2.0, rel=0.05)


def test_a_date_that_is_none_is_named() -> None:
    with pytest.raises(SettingsError, match=r"ph_calibration\.calibrated: .*date"):
        parse_settings(SETTINGS + 'calibrated = "last week"')
    with pytest.raises(SettingsError, match=r"ph_calibration\.calibrated: must be a date"):
        parse_settings(SETTINGS + "calibrated = 3")
