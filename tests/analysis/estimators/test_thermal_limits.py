"""What the model of the water's heat learns of, just inside and just outside. Common practice, no source."""

from __future__ import annotations

import pytest

from rushlight.analysis.estimators.thermal_model import ThermalModel, prior_time_constant_h


def learnt_of(slope: float, temperature: float = 25.0, room: float | None = 20.0) -> tuple[int, int, int]:
    model = ThermalModel()
    model.learn(slope, temperature, room)
    return len(model.falls), len(model.rises), len(model.taus)


def test_slow_changes_say_nothing() -> None:
    assert learnt_of(-0.038) == learnt_of(0.038) == (0, 0, 0)
    assert learnt_of(-0.042, room=None) == (1, 0, 0) and learnt_of(0.042) == (0, 1, 0)


def test_a_time_constant_is_learnt_well_above_the_room_and_within_reason() -> None:
    assert learnt_of(-0.1, room=23.6)[2] == 0 and learnt_of(-0.1, room=23.4)[2] == 1
    assert learnt_of(-5.0, room=20.3)[2] == 0 and learnt_of(-5.0, room=19.7)[2] == 1
    assert learnt_of(-0.08, room=15.0)[2] == 0 and learnt_of(-0.085, room=15.0)[2] == 1


def test_the_lower_quartile_of_eight_stretches() -> None:
    model = ThermalModel()
    for tau in range(10, 17):
        model.learn(-5.0 / tau, 25.0, 20.0)
    assert not model.learnt and model.time_constant_h(54.0) == prior_time_constant_h(54.0)
    model.learn(-5.0 / 17, 25.0, 20.0)
    assert model.learnt and model.time_constant_h(54.0) == pytest.approx(12.0)


def test_a_usual_slope_takes_six_and_is_of_the_last_sixty() -> None:
    model = ThermalModel()
    for _ in range(5):
        model.learn(-0.2, 25.0, None)
        model.learn(0.5, 25.0, None)
    assert model.usual_fall() is model.usual_rise() is None
    model.learn(-0.2, 25.0, None)
    model.learn(0.5, 25.0, None)
    assert model.usual_fall() == -0.2 and model.usual_rise() == 0.5
    for _ in range(60):
        model.learn(-0.2, 25.0, None)
        model.learn(0.5, 25.0, None)
    assert model.usual_fall() == -0.2 and model.usual_rise() == 0.5
    assert len(model.falls) == len(model.rises) == 60


def test_a_first_guess_goes_with_the_cube_root_of_the_volume() -> None:
    """54 L at 14 h is 4.5 W/K: 54 kg · 4186 J/(kg K) / 14 h."""
    assert 54 * 4186 / (prior_time_constant_h(54) * 3600) == pytest.approx(4.5, abs=0.1)
    assert prior_time_constant_h(54 * 8) == pytest.approx(2 * prior_time_constant_h(54))
