"""Tubs outdoors, strips that are switched off for the care, shoestring boards: what they do in truth."""

from __future__ import annotations

import csv
import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.diagnosis.faults import FAULTS
from bench.diagnosis.judgement import judge
from bench.diagnosis.scenarios import _draw, build
from bench.diagnosis.tank import simulate
from bench.diagnosis.worlds import USUAL, WORLDS
from rushlight.collector.settings import load_settings
from rushlight.simulator.chemistry import air_co2
from tests.bench.test_generate import bare_tank, quiet_drive
from tests.bench.test_worlds import tank_of, values

DAY = 2880


def rows(folder: Path, quantity: str) -> list[tuple[dt.datetime, float]]:
    """In order of arrival."""
    with (folder / "readings.csv").open(encoding="utf-8") as file:
        found = [row for row in csv.DictReader(file) if row["quantity"] == quantity and row["value"]]
    return [(dt.datetime.fromisoformat(row["time"]), float(row["value"])) for row in found]


def test_a_tub_has_sun_and_rain_and_no_devices(tmp_path: Path) -> None:
    truth = build(tmp_path / "a", "train", 602, 3, "nominal", "tub")
    assert not {"heater", "light", "co2", "cooler"} & set(tank_of(tmp_path / "a"))
    assert list(load_settings(tmp_path / "a" / "rushlight.toml").tanks) == [truth["tank"]]
    month = dt.datetime.fromisoformat(truth["begin"]).month
    assert 5 <= month <= 9
    light = values(tmp_path / "a", "light")
    light = light[light != 65535]  # the collector's spikes
    assert 5_000 < light.max() <= 54_612 and np.median(light) < light.max() / 4
    water = np.array([v for _, v in rows(tmp_path / "a", "temperature") if 0 < v < 50])
    assert water.max() - water.min() > 3


def test_a_green_tub_has_limits_of_its_ph(tmp_path: Path) -> None:
    """Nothing that is past the limit in force every day is called false: 8.6, where none is given."""
    build(tmp_path / "a", "train", 332, 2, None, "tub")
    ph = [v for _, v in rows(tmp_path / "a", "ph") if 2 < v < 12]
    assert np.percentile(ph, 99) > 8.6
    assert tank_of(tmp_path / "a")["water"]["ph_high"] > np.percentile(ph, 99) - 0.2


def test_what_cannot_happen_in_a_tub_is_not_drawn(tmp_path: Path) -> None:
    tub = WORLDS["tub"]
    with pytest.raises(RuntimeError, match="light-missing does not happen in the world tub"):
        build(tmp_path / "a", "train", 602, 1, "light-missing", "tub")
    drawn = {_draw(602, i, 1, tub) for i in range(60)}
    assert drawn == {"nominal", *FAULTS} - tub.never
    usual = {_draw(602, i, 1, USUAL) for i in range(60)}
    assert usual & tub.never


def test_water_from_the_gutter_takes_the_hardness(tmp_path: Path) -> None:
    truth = build(tmp_path / "a", "train", 602, 2, "ph-out-of-range", "tub")
    assert truth["variant"] in ("gutter-into-the-tub", "something-alkaline")
    for i in range(3, 12):
        if truth["variant"] == "gutter-into-the-tub":
            break
        truth = build(tmp_path / f"{i}", "train", 602, i, "ph-out-of-range", "tub")
    assert truth["variant"] == "gutter-into-the-tub" and truth["acute"]
    folder = next(p for p in tmp_path.iterdir() if truth == json.loads((p / "truth.json").read_text()))
    onset = dt.datetime.fromisoformat(truth["onset"])
    ph = [(at, v) for at, v in rows(folder, "ph") if 2 < v < 12]
    before, after = ([v for at, v in ph if (at < onset) is early] for early in (True, False))
    assert np.percentile(after, 10) < np.percentile(before, 1) - 0.1


def test_the_strip_is_off_during_the_care_and_that_is_true(tmp_path: Path) -> None:
    for i in range(8):
        truth = build(tmp_path / f"{i}", "train", 602, i, "nominal", "switched-strip")
        spans = [(a, b) for name, a, b in truth["true_spans"] if name == "power-interrupted"]
        assert 1 <= len(spans) <= 3
        when = [tuple(map(dt.datetime.fromisoformat, span)) for span in spans]
        assert all(dt.timedelta(minutes=35) < b - a < dt.timedelta(minutes=95) for a, b in when)
        silent = [name for name, *_ in truth["true_spans"] if name == "device-silent"]
        inside = [at for at, _ in rows(tmp_path / f"{i}", "light") if when[0][0] < at < when[0][1]]
        first_half = [at for at in inside if at < when[0][0] + (when[0][1] - when[0][0]) / 3]
        assert bool(first_half) != bool(silent)  # a board on the strip says nothing
        if not silent:  # the lamp is dark, the sun and the room's light may shine
            assert json.loads((tmp_path / f"{i}/truth.json").read_text()) == truth


def test_what_a_meal_breathes_out_is_the_balance_of_gas() -> None:
    """In balance CO2 is the air's share and respiration / exchange; twice the respiration, twice the rest."""
    found = []
    for gain in (1.0, 2.0):
        drive = quiet_drive(3 * DAY, 25.0)
        drive.respiration_gain = np.full(3 * DAY, gain)
        course = simulate(bare_tank(respiration=0.6, exchange=0.3, source=""), drive)
        found.append(float(course.co2[-1]) - air_co2(25.0, 420, 0.003))
    assert found[0] == pytest.approx(0.6 / 0.3, rel=0.02)
    assert found[1] == pytest.approx(2 * 0.6 / 0.3, rel=0.02)


def test_a_shoestring_board_sends_its_backlog_late(tmp_path: Path) -> None:
    """Reports come after others that are more than twenty minutes newer, and none twice for that."""
    backwards = {}
    for kind in ("shoestring", "usual"):
        most = dt.timedelta(0)
        for i in range(6):
            build(tmp_path / f"{kind}{i}", "train", 602, i, "nominal", kind)
            newest = None
            for at, _ in rows(tmp_path / f"{kind}{i}", "ph"):
                if newest is not None:
                    most = max(most, newest - at)
                newest = at if newest is None else max(newest, at)
        backwards[kind] = most
    assert backwards["shoestring"] > dt.timedelta(minutes=20)
    assert backwards["usual"] < dt.timedelta(minutes=10)


def test_every_silence_of_a_shoestring_board_is_in_the_truth(tmp_path: Path) -> None:
    """Gaps of a few minutes that overlap are one long silence, and it is true that the device was silent."""
    joined = 0
    for i in range(8):
        truth = build(tmp_path / str(i), "train", 602, i, "nominal", "shoestring")
        spans = [
            (dt.datetime.fromisoformat(a), dt.datetime.fromisoformat(b))
            for name, a, b in truth.get("true_spans", [])
            if name == "device-silent"
        ]
        newest = None
        for time, _ in rows(tmp_path / str(i), "ph"):
            if newest is not None and time - newest > dt.timedelta(minutes=18):  # 15, and two reports
                assert any(a - dt.timedelta(minutes=1) <= newest and time <= b for a, b in spans), (i, newest)
                joined += time - newest < dt.timedelta(minutes=28)  # two of at most 14 min
            newest = time if newest is None else max(newest, time)
    assert joined


def test_its_electrode_wanders_more_than_a_good_one(tmp_path: Path) -> None:
    spread = {}
    for kind in ("shoestring", "usual"):
        build(tmp_path / kind, "train", 602, 4, "light-missing", kind)
        ph = values(tmp_path / kind, "ph")
        spread[kind] = float(np.median(np.abs(np.diff(ph[(ph > 3) & (ph < 10)]))))
    assert spread["shoestring"] > 1.5 * max(spread["usual"], 0.01)


def test_an_alarm_in_a_span_where_it_is_true_is_neither_right_nor_false() -> None:
    truth: dict[str, Any] = {"scenario": "x", "tank": "alcove", "kind": "nominal"}
    truth |= {"begin": "2026-03-01T00:00:00Z", "end": "2026-03-08T00:00:00Z"}
    truth["true_spans"] = [["power-interrupted", "2026-03-02T10:00:00Z", "2026-03-02T11:00:00Z"]]
    event = {"tank": "alcove", "event": "raised", "alarm": "power-interrupted"}
    within, without = (event | {"time": f"2026-03-0{day}T10:30:00Z"} for day in (2, 3))
    assert judge(truth, [within])["false"] == []
    assert len(judge(truth, [without])["false"]) == 1
    fault = truth | {"kind": "fault", "alarm": "power-interrupted", "accept": [], "excused": []}
    fault |= {"variant": "v", "severity": 0.5, "quantity": "", "acute": False, "worse": None}
    later = fault | {"onset": "2026-03-05T00:00:00Z", "harm": "2026-03-05T04:00:00Z"}
    verdict = judge(later, [within, event | {"time": "2026-03-05T01:00:00Z"}])
    assert verdict["named"] and verdict["false"] == []
    assert not judge(later, [within])["named"]
