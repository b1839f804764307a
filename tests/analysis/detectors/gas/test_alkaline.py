"""How likely something alkaline lifts the pH, and not gas that leaves.

Probabilities are those of the normal distribution, by Python's own `statistics`, and of a log-uniform one, by
hand. That pH rises by k / ln 10 an hour as gas leaves is arithmetic.
"""

from __future__ import annotations

import math
import statistics
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.gas.alkaline import alkaline_probability, leaving_chance
from rushlight.analysis.physics.carbon_dioxide import Gas
from rushlight.analysis.physics.water import air_equilibrium_mg_l
from tests.analysis.detectors.gas.test_gas_limits import FED, LIMITS, after, ranged, tank_of

NORMAL = statistics.NormalDist()
PLENTY = Gas(1000.0, 0.2)  # of which air keeps next to nothing


def rising(pace: float, loss: float | None = 0.3, ceaseless: bool = False) -> Any:
    return SimpleNamespace(rise=pace, loss_per_h=loss, ceaseless=ceaseless)


def test_a_tank_that_has_shown_its_loss() -> None:
    """Its usual pace is as likely as not; by a factor of e^0.4 faster is one standard error."""
    usual = 0.3 / math.log(10)
    assert leaving_chance(rising(usual), None, 25.0) == pytest.approx(0.5)
    assert leaving_chance(rising(usual * math.exp(0.4)), None, 25.0) == pytest.approx(NORMAL.cdf(-1))
    assert leaving_chance(rising(usual), PLENTY, 25.0) == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("ceaseless", [False, True])
def test_a_tank_of_which_nobody_knows_its_loss(ceaseless: bool) -> None:
    """Anywhere from 0.1 to 2 an hour: half of it (log) is above 0.447."""
    curve = rising(math.sqrt(0.1 * 2.0) / math.log(10), 0.3 if ceaseless else None, ceaseless)
    assert leaving_chance(curve, None, 25.0) == pytest.approx(0.5)
    for k, chance in ((0.05, 1.0), (2.1, 0.0)):
        assert leaving_chance(rising(k / math.log(10), None), None, 25.0) == chance


def test_what_air_leaves_in_the_water_can_not_leave() -> None:
    """Half of the gas may leave: then it takes twice the loss for that rise."""
    rest = 1.5 * air_equilibrium_mg_l(25.0)
    error = 0.2
    half = Gas(2 * rest / math.exp(error), error)
    assert leaving_chance(rising(0.15 / math.log(10)), half, 25.0) == pytest.approx(0.5)
    assert leaving_chance(rising(0.15), Gas(0.9 * rest / math.exp(error), error), 25.0) == 0.0


def test_an_empty_cylinder_is_twice_as_common() -> None:
    fed = tank_of(FED)
    usual = 0.3 / math.log(10)
    assert alkaline_probability(fed, rising(usual), None, 25.0) == pytest.approx(1 / (1 + 2 * 0.5))
    assert alkaline_probability(fed, rising(0.0), None, 25.0) == 0.0
    assert alkaline_probability(tank_of(), rising(usual), None, 25.0) == 1.0


def test_where_it_is_likelier_than_not_the_limit_is_told_ahead() -> None:
    """At the usual loss both are as likely. An hour and a half to the limit, ten minutes' patience."""
    text = LIMITS.replace("ph_high", "degassed_ph = 7.9\nph_high") + FED

    def told(loss: float, above: float = 0.2, **known: Any) -> int | None:
        rise = {"rise": 0.2, "lately": 0.2, "slope": 0.2}
        days = {"highs": [7.6] * 3}
        return after(8.0 - above, text, loss_per_h=loss, **(rise | days | known))

    edge = 0.2 * math.log(10)
    assert told(edge * 0.97) == 10 and told(edge * 1.03) is None
    assert told(edge * 0.75) == 10 and told(edge * 1.3) is None
    assert told(0.3, 0.29, highs=[7.5] * 3) == 10 and told(0.3, 0.31, highs=[7.5] * 3) is None
    # one day is enough to know that none has come near it, where it goes faster than gas
    assert told(0.3, highs=[7.6]) == 10 and told(edge * 1.3, highs=[7.6]) is None
    # unless nobody has seen the gas leave: then it takes two, or hours; a water change is over by then
    unseen: dict[str, Any] = {"loss_per_h": None, "rise": 2.0, "slope": 2.0}
    assert (
        after(7.9, text, **unseen, highs=[7.6]) is None and after(7.9, text, **unseen, highs=[7.6] * 2) == 0
    )
    assert after(7.9, text, **unseen, lately=2.0, highs=[7.6]) == 0


def test_no_more_than_99_percent_is_said() -> None:
    text = LIMITS.replace("ph_high", "degassed_ph = 8.0\nph_high") + FED
    known: dict[str, Any] = {"rise": 0.3, "lately": 0.3, "slope": 0.3, "highs": [7.6] * 3}
    edge = 0.3 * math.log(10)
    for loss, percent in ((0.1, "99 %"), (edge * math.exp(-0.4), "76 %")):  # 1 / (1 + 2 · 0.1587)
        said = ranged(7.8, text, loss_per_h=loss, **known)[1]
        assert said is not None and f"a probability of {percent}" in said.observations[-1]
    slowed = ranged(7.95, text, active="ph-out-of-range", loss_per_h=0.1, **(known | {"rise": 0.0}))[1]
    assert slowed is not None and not any("probability" in words for words in slowed.observations)


def test_where_gas_should_keep_it_low_at_this_hour_no_new_high_is_needed() -> None:
    """Other days have come near the limit by night, this one does by day."""
    text = LIMITS.replace("ph_high", "degassed_ph = 8.0\nph_high")
    known: dict[str, Any] = {"rise": 0.2, "lately": 0.2, "slope": 0.2, "loss_per_h": 0.1, "highs": [7.9] * 3}
    for odd, seen in ((0.45, False), (0.55, True)):
        assert (after(7.8, text + FED, expected=7.8 - odd, **known) is not None) is seen
    assert after(7.8, text, expected=7.0, **known) is None
