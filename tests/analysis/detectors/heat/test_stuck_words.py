"""What a heater that stays on is said to do, above and below what it holds."""

from __future__ import annotations

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.heater_stuck import HeaterStuck
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.heat.slopes import Slopes

AT = 1_772_359_200_000
TEXT = """
[tanks.alcove]
volume_litres = 32
timezone = "UTC"
[tanks.alcove.livestock]
temperature_low_c = 20
temperature_high_c = 29.5
[tanks.alcove.heater]
setpoint_c = 24
watts = 50
"""


@pytest.mark.parametrize(
    ("celsius", "words"),
    [(26.0, "water 26.0 °C, 1.2 °C above what the heater holds"), (23.3, "water 23.3 °C")],
)
def test_no_difference_has_a_sign_of_its_own(celsius: float, words: str) -> None:
    """A stuck heater stands on while cold water is poured in: the water may be below what it holds."""
    tank = Tank("alcove", parse_settings(TEXT).tanks["alcove"])
    heat = HeatNow(
        now=AT, temperature=celsius, room=18.0, slope=1.2, course=Slopes(9, quarter=1.2, hour=1.2),
        floor=23.6, ceiling=24.8, power=None, full=50.0, rate=tank.heating_rate_c_per_h, usual_fall=-0.4,
        usual_rise=0.9, learnt=True, unheated=-0.4, explained=-0.4,
    )  # fmt: skip
    frame = Frame(AT, AT + 60_000, celsius, None, None, None, None, {})
    moment = Moment(frame, 0, 900.0, True, {"heater-stuck-on"})
    found = HeaterStuck().finding(tank, moment, heat, 24.0, [celsius - 0.5, celsius])
    assert found is not None and found.observations[0] == words
