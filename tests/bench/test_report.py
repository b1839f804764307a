"""The benches' own rules: matching of events, generous peers, persistence, the floor in closed form."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from bench.diagnosis.lorden import gaussian_kl, ramp_floor, step_floor
from bench.diagnosis.peers_libraries import _medians
from bench.diagnosis.ramps import FLOORED, held_h, ramp_of
from bench.diagnosis.report import _losses, generous, held
from bench.diagnosis.score import judge
from bench.rivers.matches import Count, count, joined


def test_step_floor_is_the_closed_form() -> None:
    # Kullback-Leibler divergence of two Gaussians of one width: shift²/(2 sigma²), Kullback & Leibler 1951
    assert gaussian_kl(1.0, 1.0) == 0.5
    assert step_floor(1.0, 1.0, math.e**5) == pytest.approx(10.0)
    with pytest.raises(ValueError, match="shift"):
        step_floor(0.0, 1.0, 100)


def test_ramp_floor_is_the_sum_of_squares() -> None:
    # sum of k² up to n is n(n+1)(2n+1)/6: 385 at n = 10
    assert ramp_floor(1.0, 1.0, math.exp(385 / 2 - 1e-9)) == 10
    assert ramp_floor(1.0, 1.0, math.exp(385 / 2 + 1e-6)) == 11


def test_a_surge_in_the_dark_is_a_ramp_of_the_ph_and_one_by_day_is_none(tmp_path: Path) -> None:
    """0.6 pH an hour, a report a minute, in noise of 0.01: the slope and the noise that were put in."""
    chance, onset = np.random.default_rng(4), datetime(2026, 3, 1, 22, tzinfo=UTC)
    truth = {"alarm": "co2-overdose", "onset": onset.isoformat(), "report_every_s": 60}
    for name, fall, light in (("night", 0.01, 0), ("day", 0.01, 5000), ("rising", -0.01, 0)):
        rows = ["time,tank,quantity,value"]
        for minute in range(-600, 60):
            at = (onset + timedelta(minutes=minute)).isoformat()
            lit = 5000 if minute < -60 else light
            ph = 7 - fall * max(minute, 0) + chance.normal(0, 0.01)
            rows += [f"{at},a,light,{lit}", f"{at},a,ph,{ph:.4f}"]
        (tmp_path / name).mkdir()
        (tmp_path / name / "readings.csv").write_text("\n".join(rows), encoding="utf-8")
    ramp = ramp_of(tmp_path / "night", truth)
    assert ramp is not None
    assert (ramp.slope, ramp.sigma) == (pytest.approx(0.01, rel=0.1), pytest.approx(0.01, rel=0.15))
    assert ramp.every_s == 60 and ramp.kind in FLOORED
    assert ramp_of(tmp_path / "day", truth) is None
    assert ramp_of(tmp_path / "rising", truth) is None


@pytest.mark.parametrize(("sign", "hours"), [(-1, 2.0), (1, 24.0), (0, 0.0)])
def test_a_heater_that_dies_while_it_heats_is_not_seen_before_it_should_come_on_again(
    sign: int, hours: float
) -> None:
    """Held between 24.0 and 24.8 °C, the heater dies at 24.8 °C, and the water falls by 0.4 °C an hour."""
    held = [(-60.0 * minute, 24.0 + 0.8 * abs(minute % 240 - 120) / 120) for minute in range(72 * 60, 0, -1)]
    falls = [(60.0 * minute, 24.8 - 0.4 * minute / 60) for minute in range(6 * 60)]
    assert held_h(held + falls, sign) == pytest.approx(hours, abs=0.25)


def test_river_matching() -> None:
    hour = 3600
    spans = joined([(0, 0), (hour, hour), (10 * hour, 10 * hour)])
    assert spans == [(0, hour), (10 * hour, 10 * hour)]
    # within an hour of the event is a hit and not false; the other is false; an event without one is missed
    assert count([(2 * hour, 3 * hour), (20 * hour, 21 * hour)], spans) == Count(1, 2, 1)
    assert Count(1, 2, 1).f1 == pytest.approx(0.5)


def _event(time: str, kind: str = "raised", alarm: str = "temperature-low") -> dict[str, str]:
    return {"time": time, "event": kind, "alarm": alarm, "tank": "a", "priority": "high"}


def test_held_drops_what_is_soon_cleared_and_tells_the_rest_later() -> None:
    events = [
        _event("2026-03-01T10:00:00Z"),
        _event("2026-03-01T10:04:00Z", "cleared"),
        _event("2026-03-01T11:00:00Z"),
    ]
    assert [e["time"] for e in held(events, 5)] == ["2026-03-01T11:05:00Z"]
    assert len(held(events, 0)) == 2


def test_peers_are_credited_by_quantity_and_only_after_the_onset() -> None:
    truth = {"kind": "fault", "alarm": "heater-not-heating", "quantity": "", "onset": "2026-03-01T10:00:00Z"}
    events = [
        _event("2026-03-01T09:00:00Z"),
        _event("2026-03-01T11:00:00Z"),
        _event("2026-03-01T11:00:00Z", alarm="co2-overdose"),
    ]
    names = [e["alarm"] for e in generous(truth, events)]
    assert names == ["temperature-low", "heater-not-heating", "co2-overdose"]


def test_medians_as_numpy() -> None:
    chance = np.random.default_rng(3)
    times = np.cumsum(chance.integers(20, 200, 400)) + 1000
    values = chance.normal(size=400)
    values[::17] = np.nan
    slots = (times - times[0]) // 300
    means = _medians(times, values)
    for slot in range(int(slots[-1]) + 1):
        part = values[(slots == slot) & ~np.isnan(values)]
        assert (len(part) == 0 and np.isnan(means[slot])) or means[slot] == pytest.approx(np.median(part))


def test_the_warning_counts_from_the_first_alarm_and_is_none_after_the_harm() -> None:
    truth = {
        "scenario": "x",
        "tank": "a",
        "kind": "fault",
        "begin": "2026-03-01T00:00:00Z",
        "end": "2026-03-08T00:00:00Z",
        "alarm": "heater-not-heating",
        "variant": "v",
        "severity": 0.5,
        "quantity": "",
        "accept": [],
        "excused": [],
        "onset": "2026-03-01T10:00:00Z",
        "harm": "2026-03-01T20:00:00Z",
        "acute": True,
        "worse": None,
    }
    raised = [_event("2026-03-01T14:00:00Z"), _event("2026-03-01T16:00:00Z", alarm="heater-not-heating")]
    assert judge(truth, raised)["warning_h"] == 6
    assert judge(truth, raised[1:])["warning_h"] == 4
    assert judge(truth, [_event("2026-03-01T21:00:00Z")])["warning_h"] == 0


def test_losses_are_said_with_their_price() -> None:
    keys = ("detected", "harmful_detected", "harmful_median_warning_h", "false_per_tank_week")
    mine, early, quiet = (dict(zip(keys, row, strict=True)) for row in (
        (0.9, 0.9, 3.0, 0.1), (0.7, 0.8, 7.0, 5.0), (0.1, 0.0, 0.0, 0.01)))  # fmt: skip
    lines = _losses({"Rushlight": mine, "early": early, "quiet": quiet})
    assert lines[2:] == [
        "- early warns earlier, h (7.00 against 3.00); it finds 0.70, 5.00 false a week",
        "- quiet gives fewer false alarms a week (0.01 against 0.10); it finds 0.10, 0.01 false a week",
    ]
    assert _losses({"Rushlight": mine})[0].endswith("nowhere.")
