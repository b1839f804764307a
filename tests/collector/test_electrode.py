"""Electrode millivolts to pH, against the Nernst equation and published buffers (tests/references)."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.collector.electrode import (
    calibration_fault,
    electrode_health,
    nernst_slope_mv,
    ph_from_millivolts,
)
from rushlight.collector.settings import CalibrationPoint

REFERENCES: dict[str, Any] = {
    entry["id"]: entry["value"]
    for entry in json.loads(
        (Path(__file__).parents[1] / "references" / "electrode.json").read_text(encoding="utf-8")
    )["entries"]
}
BUFFERS: dict[str, list[float]] = REFERENCES["ph.buffers"]
SLOPES: dict[int, float] = {int(t): slope for t, slope in REFERENCES["ph.nernst_slope_mv"].items()}


def electrode(ph: float, t: int, gain: float = 1.0, offset_mv: float = 0.0) -> float:
    """Millivolts of an electrode with the *published* Nernst slope, not our formula."""
    return offset_mv - gain * SLOPES[t] * (ph - 7.0)


def buffer_points(t: int, gain: float, offset_mv: float) -> list[CalibrationPoint]:
    """Phthalate, phosphate and borax buffers at one temperature (Buck et al. 2002; table from memory)."""
    index = BUFFERS["t_c"].index(t)
    values = [BUFFERS[name][index] for name in ("phthalate_0_05m", "phosphate_0_025m", "borax_0_01m")]
    return [CalibrationPoint(ph=ph, mv=electrode(ph, t, gain, offset_mv), temperature_c=t) for ph in values]


@pytest.mark.parametrize(("t", "slope"), SLOPES.items())
def test_nernst_slope(t: int, slope: float) -> None:
    """Nernst equation with CODATA 2018 constants."""
    assert nernst_slope_mv(t) == pytest.approx(slope, abs=6e-4)


@pytest.mark.parametrize("t", [5, 15, 25, 35])
def test_ideal_electrode_reads_published_buffers(t: int) -> None:
    """Phthalate: Hetzer et al. 1977 (formula seen); Nernst slope at that temperature; no calibration."""
    index = REFERENCES["ph.phthalate_formulas"]["t_c"].index(t)
    ph = REFERENCES["ph.phthalate_formulas"]["hetzer_1977"][index]
    assert ph_from_millivolts(electrode(ph, t), t) == pytest.approx(ph, abs=1e-3)
    assert ph_from_millivolts(0.0, t) == 7.0


@pytest.mark.parametrize("calibrated_at", [15, 25])
@pytest.mark.parametrize("t", [5, 15, 20, 25, 30])
@pytest.mark.parametrize("count", [1, 2, 3])
def test_calibration_holds_at_other_temperatures(calibrated_at: int, t: int, count: int) -> None:
    """An electrode of 93 % slope and -18 mV reads right at any temperature (published Nernst slopes)."""
    gain = 1.0 if count == 1 else 0.93
    points = buffer_points(calibrated_at, gain, -18.0)[:count]
    for ph in (4.5, 6.2, 6.9, 7.6, 9.3):
        assert ph_from_millivolts(electrode(ph, t, gain, -18.0), t, points) == pytest.approx(ph, abs=2e-4)


def test_leaving_the_temperature_out_would_show() -> None:
    """The check above can fail: 10 °C without correction is 3.5 % of the distance from pH 7."""
    mv = electrode(5.0, 15)
    assert ph_from_millivolts(mv, 25) - 5.0 == pytest.approx(2 * (1 - 57.175 / 59.159), abs=1e-4)


def test_each_buffer_of_a_crooked_calibration_is_met() -> None:
    """Bracketing (Buck et al. 2002, section on two-point and bracketing calibration; from memory)."""
    points = [
        CalibrationPoint(ph=9.18, mv=-118.0, temperature_c=25),
        CalibrationPoint(ph=4.01, mv=171.0, temperature_c=22),
        CalibrationPoint(ph=6.86, mv=11.0, temperature_c=24),
    ]
    for point in points:
        assert ph_from_millivolts(point.mv, point.temperature_c, points) == pytest.approx(point.ph, abs=1e-12)


def test_half_way_between_two_buffers_is_half_way_in_ph() -> None:
    """By hand: straight lines between the buffers, and on beyond the outer ones."""
    points = [CalibrationPoint(ph=ph, mv=mv) for ph, mv in ((4.0, 170.0), (7.0, 5.0), (10.0, -145.0))]
    for mv, ph in ((87.5, 5.5), (-70.0, 8.5), (225.0, 3.0), (-195.0, 11.0)):
        assert ph_from_millivolts(mv, 25, points) == pytest.approx(ph, abs=1e-9)


point_sets = st.builds(
    lambda low, mid, high, t, noise: [
        CalibrationPoint(ph=ph, mv=-55.0 * (ph - 7.0) + error, temperature_c=t)
        for ph, error in zip((low, mid, high), noise, strict=True)
    ],
    st.floats(3.5, 4.5),
    st.floats(6.5, 7.2),
    st.floats(8.8, 10.2),
    st.floats(10.0, 35.0),
    st.lists(st.floats(-15.0, 15.0), min_size=3, max_size=3),
)


@given(point_sets, st.integers(0, 3), st.floats(-400.0, 400.0), st.floats(5.0, 38.0))
def test_ph_falls_steadily_with_millivolts(
    points: list[CalibrationPoint], count: int, mv: float, t: float
) -> None:
    """Also across the middle buffer: no step, no turning back; order of the buffers does not matter."""
    used = points[:count]
    here = ph_from_millivolts(mv, t, used)
    step = ph_from_millivolts(mv + 0.1, t, used) - here
    assert -0.01 < step < 0.0
    assert ph_from_millivolts(mv, t, used[::-1]) == here


@given(point_sets, st.floats(5.0, 38.0))
def test_no_step_at_the_middle_buffer_at_any_temperature(points: list[CalibrationPoint], t: float) -> None:
    middle = points[1].mv
    below = ph_from_millivolts(middle - 1e-9, t, points)
    above = ph_from_millivolts(middle + 1e-9, t, points)
    assert below == pytest.approx(above, abs=1e-8)


@pytest.mark.parametrize(
    ("gain", "offset", "verdict"),
    [
        (0.99, 4.0, "good"),
        (0.91, -12.0, "ageing"),
        (0.80, -12.0, "worn"),
        (1.06, 0.0, "suspect"),
        (0.98, 45.0, "suspect"),
    ],
)
@pytest.mark.parametrize("count", [2, 3])
def test_health_finds_the_slope_and_offset_put_in(
    gain: float, offset: float, verdict: str, count: int
) -> None:
    """Slope and offset by construction from published buffers; the limits are common practice, no source."""
    health = electrode_health(buffer_points(20, gain, offset)[:count])
    assert health.slope_percent == pytest.approx(100 * gain, abs=0.01)
    assert health.offset_mv == pytest.approx(offset, abs=0.02)
    assert health.verdict == verdict


def test_health_names_a_spoilt_buffer() -> None:
    """A pH 10 buffer that took up CO2 from air and fell to 9.6, still called 10: its half looks flat."""
    points = [
        CalibrationPoint(ph=4.0, mv=electrode(4.0, 25), temperature_c=25),
        CalibrationPoint(ph=7.0, mv=electrode(7.0, 25), temperature_c=25),
        CalibrationPoint(ph=10.0, mv=electrode(9.6, 25), temperature_c=25),
    ]
    health = electrode_health(points)
    assert health.verdict == "suspect"
    assert "100 % and 87 %" in health.words or "87 % and 100 %" in health.words


def test_health_of_none_and_of_one_buffer() -> None:
    assert electrode_health([]).verdict == "unknown"
    one = electrode_health([CalibrationPoint(ph=7.0, mv=-9.0)])
    assert (one.slope_percent, one.verdict) == (None, "unknown")
    assert one.offset_mv == pytest.approx(-9.0)
    assert electrode_health([CalibrationPoint(ph=7.0, mv=60.0)]).verdict == "suspect"


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([(4.0, -170.0), (7.0, 2.0)], "swapped"),
        ([(7.0, 2.0), (7.1, -4.0)], "too close"),
        ([(7.0, 1650.0)], "amplifier"),
        ([(7.0, math.nan)], "buffer 1"),
        ([(4.0, 170.0), (70.0, 2.0)], "buffer 2"),
    ],
)
def test_an_unusable_calibration_is_explained(points: list[tuple[float, float]], said: str) -> None:
    made = [CalibrationPoint(ph=ph, mv=mv) for ph, mv in points]
    fault = calibration_fault(made)
    assert fault is not None
    assert said in fault
    health = electrode_health(made)
    assert health.verdict == "suspect"
    assert said in health.words


def test_a_buffer_in_fahrenheit_is_explained() -> None:
    assert "77 °C" in str(calibration_fault([CalibrationPoint(ph=7, mv=0, temperature_c=77)]))


@given(point_sets)
def test_a_usable_calibration_has_no_fault(points: list[CalibrationPoint]) -> None:
    assert calibration_fault(points) is None


def test_bad_readings_are_named() -> None:
    with pytest.raises(ValueError, match="mv"):
        ph_from_millivolts(math.nan, 20)
    with pytest.raises(ValueError, match="temperature_c"):
        ph_from_millivolts(10.0, -127.0)
    with pytest.raises(ValueError, match="swapped"):
        ph_from_millivolts(10.0, 20, [CalibrationPoint(ph=4.0, mv=-170.0), CalibrationPoint(ph=7.0, mv=2.0)])
