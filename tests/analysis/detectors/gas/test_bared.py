"""An electrode that shakes just now. The figures are common practice, no source; variances by arithmetic."""

from __future__ import annotations

import math
import random
import statistics

import pytest

from rushlight.analysis.detectors.gas.bared import BaredElectrode, shake, wandering_slope
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.physics.water import carbon_dioxide_mg_l
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.gas.test_gas_limits import BEGAN, MINUTE
from tests.analysis.detectors.gas.test_surge import SETTINGS as WITH_HOURS
from tests.analysis.detectors.gas.test_surge_limits import course, fall, least


def test_shaking_is_its_noise_and_nothing_of_a_fall() -> None:
    rng = random.Random(1)
    noise = [rng.gauss(0, 0.03) for _ in range(400)]
    assert shake(noise) == pytest.approx(0.03, rel=0.1)
    falling = [7.0 - 0.05 * n + one for n, one in enumerate(noise)]
    assert shake(falling) == pytest.approx(shake(noise), rel=1e-6)
    assert shake([7.0, 7.1]) == 0.0


def test_a_slope_through_a_random_walk() -> None:
    """Against slopes of made-up walks, by least squares; some 2 % are left to 20 values and not many."""
    rng, slopes, shakes = random.Random(2), [], []
    hours = [n / 60 for n in range(21)]
    for _ in range(3000):
        walk = [0.0]
        for _ in range(20):
            walk.append(walk[-1] + rng.gauss(0, 0.02))
        slopes.append(statistics.linear_regression(hours, walk).slope)
        shakes.append(shake(walk) ** 2)
    seen = math.sqrt(statistics.fmean(slope * slope for slope in slopes))
    shaken = math.sqrt(statistics.fmean(shakes))
    assert wandering_slope(shaken, 0.001, 20) == pytest.approx(seen, rel=0.06)


def test_what_shakes_as_at_rest_does_not_wander() -> None:
    assert wandering_slope(0.0201, 0.01, 13) > 0.0 and wandering_slope(0.0199, 0.01, 13) == 0.0


def test_a_fall_of_an_electrode_in_air_is_no_surge() -> None:
    """The same fall, smooth and shaken."""
    calm = fall(13)
    shaken = [ph + 0.03 * (-1) ** n for n, ph in enumerate(calm)]
    assert least(course(*calm), noise=0.005) > 5 and least(course(*shaken), noise=0.005) < 0
    assert least(course(*shaken), noise=0.04) > 5, "an electrode that always does"


def shaking(sizes: list[float], sensor: Sensor | None = None, falls: float = 0.0) -> list[bool]:
    """Every five minutes; by the minute pH goes up and down by that, and falls."""
    bare, block, out = BaredElectrode(), Window(28), []
    sensor = sensor or Sensor(interval_ms=MINUTE, noise=0.01)
    for n, size in enumerate(sizes):
        block.add(BEGAN + n * MINUTE, 7.0 + size * (-1) ** n - falls * n)
        if n % 5 == 4:
            out.append(bare.shakes(block, sensor))
    return out


def test_how_much_it_shakes_and_over_how_long() -> None:
    """Second differences of ±s are 4 s, standard deviation 4 s / (0.6745 √6): three of 0.01 at 0.0124."""
    at = 3 * 0.01 * statistics.NormalDist().inv_cdf(0.75) * math.sqrt(6) / 4
    assert shaking([at * 1.05] * 15, falls=0.01)[-1] and not shaking([at * 0.95] * 15, falls=0.01)[-1]
    assert shaking([0.031] * 15)[-1] and not shaking([0.029] * 15)[-1], "its noise six times apart"
    assert shaking([0.05] * 15) == [False, False, True], "twelve values"
    assert not any(shaking([0.0] * 10 + [0.5] + [0.0] * 10)), "one value that is far out"
    assert not shaking([0.05] * 15, sensor=Sensor(interval_ms=MINUTE, noise=0.01, step=0.1))[-1], (
        "its own step"
    )


def test_for_three_quarters_of_an_hour() -> None:
    seen = shaking([0.05] * 90)
    assert seen[2:11] == [True] * 9 and not any(seen[11:])
    again = shaking([0.05] * 65 + [0.0] * 15 + [0.05] * 15)
    assert again[-1], "it has been still meanwhile"


@pytest.mark.parametrize(("bared", "seed"), [(True, 1), (True, 2), (True, 3), (False, 1)])
def test_an_electrode_lifted_out_is_no_overdose_and_a_smooth_fall_is(bared: bool, seed: int) -> None:
    """A made-up day of gas by the clock; before a water change the electrode hangs in air for a quarter."""
    watch = TankWatch("shelf", parse_settings(WITH_HOURS).tanks["shelf"])
    rng, raised, gas = random.Random(seed), False, 5.0
    at_7, begins = carbon_dioxide_mg_l(7.0, 4.0, 24.0), 4 * 1440 + 15 * 60
    for minute in range(begins + 120):
        gas += 0.5 * ((22.0 if 10 <= minute % 1440 / 60 < 18 else 2.0) - gas) / 60
        ph = 7.0 + math.log10(at_7 / gas) + rng.gauss(0, 0.01)
        out = minute - begins
        if 0 <= out < (16 if bared else 60):
            ph -= 0.02 * out + (rng.gauss(0, 0.06) if bared else 0.0)
        for quantity, value in (("ph", ph), ("temperature", 24 + rng.gauss(0, 0.03))):
            for event in watch.feed(Reading("shelf", quantity, minute * 60_000, round(value, 2), 1)):
                raised = raised or (event.alarm == "co2-overdose" and event.event == "raised")
    assert raised is not bared
