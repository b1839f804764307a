"""Which alarms suffer from coarse probes and rare reports. The shares follow from pH = -lg [H+]."""

from __future__ import annotations

import numpy as np
import pytest

from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.views.weak_series import rare_lines, weak_lines


@pytest.mark.parametrize(("every_s", "count"), [(10, 0), (60, 0), (300, 1), (1500, 2), (3600, 4)])
def test_rare_reports_cost(every_s: float, count: int) -> None:
    lines = rare_lines(every_s)
    assert len(lines) == count
    assert not lines or ("later" in lines[0] and "CO2" in lines[0])


def test_coarse_steps_cost() -> None:
    """Half a step of 0.1 is 10**0.05: 12 %. Half a degree at 0.6 °C an hour is 50 min."""
    fine = {"temperature": Sensor(step=0.0625, interval_ms=60_000), "ph": Sensor(step=0.01)}
    assert weak_lines(fine) == []
    coarse = {"temperature": Sensor(step=0.5, interval_ms=60_000), "ph": Sensor(step=0.1)}
    heat, gas = weak_lines(coarse)
    assert "0.5 °C" in heat and "50 min later" in heat and "frozen" in heat
    assert "12 % at best" in gas and "less than 0.2" in gas


def test_what_a_noisy_electrode_costs() -> None:
    """The median of five normal readings has 0.536 of their standard deviation (numpy's generator)."""
    medians = np.median(np.random.default_rng(1).normal(0, 0.06, (20000, 5)), axis=1)
    share = 100 * (10 ** float(np.std(medians)) - 1)
    assert weak_lines({"ph": Sensor(step=0.01, noise=0.019)}) == []
    (line,) = weak_lines({"ph": Sensor(step=0.01, noise=0.06)})
    assert "jumps by 0.06" in line and f"CO2 moves by {share:.0f} %" in line and "less than 0.25" in line
    (coarse,) = weak_lines({"ph": Sensor(step=0.1, noise=0.03)})  # the steps are its noise
    assert "steps of 0.1" in coarse
