"""The benchmark's generator: determinism, formats, truth, and physics against outside values."""

from __future__ import annotations

import csv
import datetime as dt
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.diagnosis import score
from bench.diagnosis.faults import FAULTS
from bench.diagnosis.peers import plain_limits
from bench.diagnosis.scenarios import build
from bench.diagnosis.tank import STEP_S, Drive, Tank, simulate
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.settings import load_settings
from rushlight.simulator.chemistry import CO2_MG_PER_MOL, Constants

NAMES = set(FAULTS)


def quiet_drive(n: int, room: float) -> Drive:
    zero, one = np.zeros(n), np.ones(n)
    return Drive(
        room=room * one,
        lamp=zero,
        sun_heat=zero,
        air_ppm=420 * one,
        dose=zero,
        mains=one,
        heater_gain=zero,
        heater_forced=zero,
        heater_shift=zero,
        cooler_gain=zero,
        loss_gain=one,
        exchange_gain=one,
        alkalinity_rate=zero,
        uptake_gain=one,
    )


def bare_tank(**changes: Any) -> Tank:
    values: dict[str, Any] = dict(
        name="alcove",
        volume=54.0,
        loss=7.0,
        mix_s=150.0,
        setpoint=25.0,
        heater_w=50.0,
        hysteresis=0.5,
        lamp_heat_w=0.0,
        pump_w=0.0,
        cooler="",
        cooler_setpoint=30.0,
        cooler_hysteresis=0.5,
        cooler_strength=0.0,
        wet_bulb_gap=4.0,
        kh=4.0,
        ionic=0.003,
        exchange=0.3,
        uptake=0.0,
        respiration=0.0,
        source="yeast",
        co2_on=0,
        co2_off=1,
        lamp_lux=5000.0,
        lamp_on=600,
        lamp_off=1200,
        ramp=0.0,
        co2_target=20.0,
        co2_limit=30.0,
    )
    return Tank(**(values | changes))


def test_cools_as_newton_says() -> None:
    """Newton's law of cooling: T = Troom + (T0 - Troom)·exp(-t·UA/C), C = V·4180 J/(L·K)."""
    hours = 24
    n = hours * 3600 // STEP_S
    course = simulate(bare_tank(), quiet_drive(n, 15.0))
    expected = 15 + 10 * math.exp(-hours * 3600 * 7.0 / (54 * 4180))
    assert course.bulk[-1] == pytest.approx(expected, abs=0.02)


def test_gas_exchange_is_first_order() -> None:
    """CO2 above the air's share falls as exp(-k·t); at a fixed alkalinity bicarbonate stays."""
    n = 6 * 3600 // STEP_S
    course = simulate(bare_tank(kh=1.0), quiet_drive(n, 25.0))
    k = Constants(25.0, 0.003)
    air = k.henry * 420e-6 * CO2_MG_PER_MOL
    expected = air + (20 - air) * math.exp(-0.3 * 6)
    assert course.co2[-1] == pytest.approx(expected, rel=0.03)


def test_heater_holds_between_its_switching_points() -> None:
    n = 3 * 24 * 3600 // STEP_S
    drive = quiet_drive(n, 20.0)
    drive.heater_gain = np.ones(n)
    course = simulate(bare_tank(), drive)
    assert course.bulk[n // 2 :].min() > 24.5 and course.bulk[n // 2 :].max() < 25.5
    # heat balance: the mean power covers the loss, UA·(T - Troom)
    assert course.heating[n // 2 :].mean() == pytest.approx(
        7.0 * (course.bulk[n // 2 :].mean() - 20), rel=0.08
    )


def test_same_seed_same_files(tmp_path: Path) -> None:
    for name in ("a", "b"):
        build(tmp_path / name / "run", "train", 5, 3, "heater-not-heating")
    for file in ("rushlight.toml", "readings.csv", "truth.json"):
        assert (tmp_path / "a/run" / file).read_bytes() == (tmp_path / "b/run" / file).read_bytes()
    build(tmp_path / "c" / "run", "test", 5, 3, "heater-not-heating")
    assert (tmp_path / "a/run/readings.csv").read_bytes() != (tmp_path / "c/run/readings.csv").read_bytes()


@pytest.mark.parametrize("kind", ["nominal", "co2-overdose", "light-schedule-drift", "probe-fault"])
def test_folder_is_what_the_contract_says(tmp_path: Path, kind: str) -> None:
    truth = build(tmp_path / "run", "train", 11, 0, kind)
    settings = load_settings(tmp_path / "run" / "rushlight.toml")
    assert list(settings.tanks) == [truth["tank"]]
    begin, end = score.seconds(truth["begin"]), score.seconds(truth["end"])
    backwards, last = 0, begin
    with (tmp_path / "run" / "readings.csv").open(encoding="utf-8") as file:
        assert file.readline() == "time,tank,quantity,value\n"
        for time, tank, quantity, value in csv.reader(file):
            at = dt.datetime.fromisoformat(time).timestamp()
            assert tank == truth["tank"] and quantity in QUANTITIES
            assert begin - 1 <= at <= end + 60
            if value:
                float(value)
            backwards += at < last
            last = at
    assert json.loads((tmp_path / "run" / "truth.json").read_text()) == truth
    if kind == "nominal":
        assert truth["kind"] == "nominal" and "alarm" not in truth
        return
    assert truth["alarm"] == kind and set(truth["accept"]) <= NAMES
    assert begin < score.seconds(truth["onset"]) < score.seconds(truth["harm"]) <= end
    if kind == "co2-overdose":
        limit = settings.tanks[truth["tank"]].livestock.co2_limit_mg_l
        assert truth["acute"] and truth["peak_co2"] > limit >= truth["true_co2_peak_before"]
    at, inside = (_first_raised(plain_limits(tmp_path / "run", margin)) for margin in (0.0, 1.0))
    assert all(inside[alarm] <= time for alarm, time in at.items())


def _first_raised(events: list[dict[str, Any]]) -> dict[tuple[str, str], str]:
    said: dict[tuple[str, str], str] = {}
    for event in events:
        if event["event"] == "raised":
            said.setdefault((event["alarm"], event.get("quantity", "")), event["time"])
    return said


TRUTH = {
    "scenario": "x",
    "tank": "alcove",
    "kind": "fault",
    "begin": "2026-03-01T00:00:00Z",
    "end": "2026-03-08T00:00:00Z",
    "alarm": "heater-stuck-on",
    "variant": "v",
    "quantity": "",
    "accept": [],
    "excused": ["probe-fault/heater_power"],
    "onset": "2026-03-05T00:00:00Z",
    "harm": "2026-03-05T10:00:00Z",
    "acute": True,
    "worse": None,
    "severity": 0.5,
}


def raised(time: str, alarm: str, quantity: str = "") -> dict[str, Any]:
    return {
        "time": f"2026-03-{time}:00Z",
        "tank": "alcove",
        "alarm": alarm,
        "event": "raised",
        "quantity": quantity,
    }


@pytest.mark.parametrize(
    ("events", "detected", "named", "first", "false"),
    [
        ([], False, False, False, 0),
        ([raised("05T02:00", "heater-stuck-on")], True, True, True, 0),
        ([raised("04T23:55", "heater-stuck-on")], True, True, True, 0),
        ([raised("04T12:00", "heater-stuck-on")], False, False, False, 1),
        ([raised("05T11:00", "heater-stuck-on")], False, False, True, 0),
        (
            [raised("05T02:00", "temperature-high"), raised("05T03:00", "heater-stuck-on")],
            True,
            True,
            False,
            0,
        ),
        ([raised("05T02:00", "temperature-high")], True, False, False, 0),
        ([raised("05T02:00", "light-missing")], False, False, False, 1),
        ([raised("05T02:00", "probe-fault", "heater_power")], False, False, False, 0),
        ([raised("05T02:00", "probe-fault", "ph")], False, False, False, 1),
    ],
)
def test_judgement(
    events: list[dict[str, Any]], detected: bool, named: bool, first: bool, false: int
) -> None:
    verdict = score.judge(TRUTH, events)
    assert (verdict["detected"], verdict["named"], verdict["first_name_right"]) == (detected, named, first)
    assert len(verdict["false"]) == false
