"""The learnt time constant against the lumped-capacitance solution of heat-transfer texts.

Incropera & DeWitt, *Fundamentals of Heat and Mass Transfer*, chapter on transient conduction, the
lumped-capacitance method (from memory): with nothing switched on

    (T - T_room) / (T_0 - T_room) = exp(-t / tau),   tau = rho·V·c / (h·A).
"""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.detectors.heat.urgency import time_to_reach
from rushlight.analysis.estimators.thermal_model import ThermalModel, prior_time_constant_h
from rushlight.analysis.estimators.window import Window

BEGAN = 1_772_330_400_000
FIVE_MINUTES = 300_000
HALF_HOUR = 1_800_000


def cooling(start_c: float, room_c: float, tau_h: float, hours: float) -> float:
    """The text's solution."""
    return room_c + (start_c - room_c) * math.exp(-hours / tau_h)


def learn_from(
    model: ThermalModel, start_c: float, room_c: float, tau_h: float, hours: float, noise_c: float = 0.0
) -> None:
    """Five-minute values of the curve, as the temperature detector takes them."""
    chance = random.Random(1)
    window = Window(37)
    for step in range(round(hours * 12) + 1):
        value = cooling(start_c, room_c, tau_h, step / 12) + chance.gauss(0, noise_c)
        window.add(BEGAN + step * FIVE_MINUTES, value)
        slope = window.slope_per_hour(HALF_HOUR)
        if slope is not None:
            model.learn(slope, value, room_c)


@pytest.mark.parametrize("tau_h", [6.0, 14.0, 30.0])
@pytest.mark.parametrize("excess_k", [4.0, 9.0])
def test_time_constant_of_a_curve_that_cools(tau_h: float, excess_k: float) -> None:
    """Within 6 %: a slope over half an hour lags by a quarter of one, and the lower quartile is taken."""
    model = ThermalModel()
    learn_from(model, 16 + excess_k, 16.0, tau_h, hours=4)
    assert model.time_constant_h(54) == pytest.approx(tau_h, rel=0.06)


def test_time_constant_with_a_noisy_probe() -> None:
    """0.0625 °C, the step of a DS18B20 (its data sheet, from memory), as noise of 0.02 °C: within a third."""
    model = ThermalModel()
    learn_from(model, 25.0, 16.0, 14.0, hours=6, noise_c=0.02)
    assert model.time_constant_h(54) == pytest.approx(14.0, rel=0.33)


@given(st.floats(4, 40), st.floats(5, 30), st.floats(3, 12))
def test_passive_slope_is_the_derivative(tau_h: float, room_c: float, excess_k: float) -> None:
    """d/dt of the solution at t = 0 is -(T_0 - T_room) / tau; here by central difference of the solution."""
    model = ThermalModel(taus=[tau_h] * 10)
    start = room_c + excess_k
    step = 1e-4
    derivative = (cooling(start, room_c, tau_h, step) - cooling(start, room_c, tau_h, -step)) / (2 * step)
    assert model.passive_slope(start, room_c, 54) == pytest.approx(derivative, rel=1e-5)


def test_a_tank_of_its_own_overrules_the_first_guess_only_once_there_is_enough() -> None:
    model = ThermalModel()
    for _ in range(7):
        model.learn(-1.0, 22.0, 16.0)
    assert model.time_constant_h(54) == prior_time_constant_h(54)
    model.learn(-1.0, 22.0, 16.0)
    assert model.time_constant_h(54) == pytest.approx(6.0)


def test_first_guess_grows_with_volume_over_area() -> None:
    """tau = rho·V·c / (h·A): for bodies of one shape V/A goes with the cube root of V."""
    for litres in (10, 54, 200):
        assert prior_time_constant_h(8 * litres) == pytest.approx(2 * prior_time_constant_h(litres))


def test_what_says_nothing_about_cooling_is_not_learnt() -> None:
    model = ThermalModel()
    for slope, temperature, room in (
        (-0.5, 20.0, 19.5),
        (-0.5, 20.0, None),
        (0.5, 20.0, 10.0),
        (-0.01, 24.0, 15.0),
    ):
        for _ in range(10):
            model.learn(slope, temperature, room)
    assert model.taus == [] and model.time_constant_h(54) == prior_time_constant_h(54)
    assert model.usual_fall() == -0.5 and model.usual_rise() == 0.5
    assert len(model.falls) <= 60


@given(st.floats(18, 30), st.floats(-3, 3).map(lambda v: round(v, 3)), st.floats(15, 32))
def test_time_to_reach_is_where_the_line_crosses(temperature: float, slope: float, limit: float) -> None:
    seconds = time_to_reach(temperature, slope, limit)
    if seconds is None:
        assert slope == 0 or (limit - temperature) / slope <= 0
    else:
        assert temperature + slope * seconds / 3600 == pytest.approx(limit, abs=1e-6)
