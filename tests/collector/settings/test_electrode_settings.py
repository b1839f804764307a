"""`[ph_calibration]`: a slip in it is named before the first night, and costs no other quantity."""

from __future__ import annotations

import json
import logging
from pathlib import Path

import pytest

from rushlight.analysis.views.overview import overview
from rushlight.collector.electrode import electrode_health
from rushlight.collector.errors import SettingsError
from rushlight.collector.intake.batch import Arrival, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.log import ClearLog
from rushlight.collector.readings import PH, PH_PROBE, TEMPERATURE, Flag, Reading
from rushlight.collector.settings import CalibrationPoint, Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore

TANK = """
[[links]]
kind = "mqtt"
[tanks.alcove]
volume_litres = 40
timezone = "UTC"
[tanks.alcove.livestock]
temperature_low_c = 18
temperature_high_c = 26
[tanks.alcove.ph_calibration]
"""
GOOD = "points = [{ph=4.00, mv=168.9}, {ph=7.00, mv=-2.0}]"
SLIP = GOOD.replace("168.9", "-168.9")
NOW_MS = 1_790_000_000_000


def slipped() -> Settings:
    """Settings whose calibration is unusable, as they were before anything looked at it."""
    settings = parse_settings(TANK + GOOD)
    settings.tanks["alcove"].ph_calibration.points[0] = CalibrationPoint(ph=4.0, mv=-168.9)
    return settings


def test_a_slip_of_the_sign_is_a_fault_of_the_settings() -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(TANK + SLIP, "mine.toml")
    line = TANK.count("\n") + 1
    assert str(caught.value).startswith(f"mine.toml: line {line}: tanks.alcove.ph_calibration.points: ")
    assert "millivolts must fall as pH rises" in str(caught.value)
    assert parse_settings(TANK + GOOD).tanks["alcove"].ph_calibration.points


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ("[{ph=4.00, mv=0.1689}, {ph=7.00, mv=-0.002}]", "are these mV, and not volts?"),
        ("[{ph=4.00, mv=142.0}, {ph=7.00, mv=0.0}]", "worn"),
        ("[{ph=4.00, mv=222.5}, {ph=7.00, mv=45.0}]", "a lot"),
        ("[{ph=4.00, mv=300.0}, {ph=7.00, mv=0.0}]", "steeper than an electrode can be"),
    ],
)
def test_a_calibration_that_can_be_used_but_not_believed_is_reported(
    points: str, says: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    settings = parse_settings(TANK + "points = " + points, str(tmp_path / "mine.toml"))
    said = overview(settings)
    assert "nothing wrong" not in said
    assert "to fix    pH electrode (tanks.alcove.ph_calibration): slope" in said and says in said
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        BatchMaker(settings, ClearLog(logging.getLogger("x"), lambda: NOW_MS)).restore(store)
    assert "tanks.alcove.ph_calibration: slope" in caplog.text and says in caplog.text


@pytest.mark.parametrize(
    ("percent", "verdict"),
    [
        (49.9, "suspect"),
        (50.1, "worn"),
        (84.9, "worn"),
        (85.1, "ageing"),
        (94.9, "ageing"),
        (95.1, "good"),
        (102.9, "good"),
        (103.1, "suspect"),
    ],
)
def test_the_limits_of_the_slope(percent: float, verdict: str) -> None:
    """Common practice, no source; 59.159 mV/pH is the Nernst slope at 25 °C (CODATA 2018 constants)."""
    points = [CalibrationPoint(ph=4.0, mv=3 * 0.59159 * percent), CalibrationPoint(ph=7.0, mv=0.0)]
    assert electrode_health(points).verdict == verdict


def test_a_good_calibration_is_shown_and_not_complained_of(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    settings = parse_settings(TANK + GOOD, str(tmp_path / "mine.toml"))
    assert "read, nothing wrong in it" in overview(settings)
    assert "pH electrode by its calibration: slope 96.3 % of Nernst" in overview(settings)
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        BatchMaker(settings, ClearLog(logging.getLogger("x"), lambda: NOW_MS)).restore(store)
    assert caplog.text == ""


def test_a_ph_that_cannot_be_derived_costs_only_itself(caplog: pytest.LogCaptureFixture) -> None:
    maker = BatchMaker(slipped(), ClearLog(logging.getLogger("rushlight.test"), lambda: NOW_MS))
    arrivals = []
    for seq in range(3):
        pack = [
            {"bn": "alcove/", "seq": seq, "n": "ph_probe", "u": "mV", "v": 12.0},
            {"n": "temperature", "u": "Cel", "v": 24.0},
        ]
        topic, payload = "rushlight/alcove/readings", json.dumps(pack).encode()
        arrivals.append(Arrival(0, Delivery("hand", topic, payload, NOW_MS + seq * 10_000)))
    batch = maker.make(arrivals)
    found = {q: [r.value for r in batch.readings if r.quantity == q] for q in (PH_PROBE, PH, TEMPERATURE)}
    assert found == {PH_PROBE: [12.0] * 3, PH: [None] * 3, TEMPERATURE: [24.0] * 3}
    assert batch.aside == [] and batch.counts == {}
    noticed = [record for record in caplog.records if "no pH can be derived" in record.getMessage()]
    assert len(noticed) == 1 and noticed[0].exc_info is None
    assert "tanks.alcove.ph_calibration" in noticed[0].getMessage()


def test_an_impossible_water_temperature_costs_the_derived_ph_only() -> None:
    intake = Intake(parse_settings(TANK + GOOD))
    intake.warm("alcove", 99.0)  # as another version may have left it
    probe, derived = intake.take(Reading("alcove", PH_PROBE, NOW_MS, 12.0))
    assert (probe.value, derived.value, derived.flag) == (12.0, None, Flag.MISSING)
    intake.warm("alcove", 24.0)
    _, derived = intake.take(Reading("alcove", PH_PROBE, NOW_MS + 10_000, 12.0))
    assert derived.value is not None and 6.5 < derived.value < 7.0
