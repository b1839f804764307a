"""The keys of [water] and [co2]: what is taken, what is refused, what `check` says of CO2."""

from __future__ import annotations

import pytest

from rushlight.analysis.views.overview import overview
from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import TankSettings, parse_settings

TANK = """
[tanks.attic]
volume_litres = 75
timezone = "Europe/Oslo"
[tanks.attic.livestock]
temperature_low_c = 20
temperature_high_c = 26
[tanks.attic.water]
"""


def tank(lines: str) -> TankSettings:
    return parse_settings(TANK + lines).tanks["attic"]


def test_hardness_and_soil_are_taken() -> None:
    water = tank(
        "carbonate_hardness_dkh = 3\ntap_hardness_dkh = 0\ngeneral_hardness_dgh = 7.5\n"
        "conductivity_us_cm = 320\nactive_soil = true"
    ).water
    assert (water.tap_hardness_dkh, water.general_hardness_dgh, water.conductivity_us_cm) == (0, 7.5, 320)
    assert water.active_soil and not tank("").water.active_soil


def test_kinds_of_supply_are_taken() -> None:
    for lines, control, setpoint in (
        ("", "hours", None),
        ('control = "always"', "always", None),
        ('control = "ph-controller"', "ph-controller", None),
        ('control = "ph-controller"\nph_setpoint = 6.7\non = "10:00"\noff = "19:00"', "ph-controller", 6.7),
    ):
        co2 = tank("[tanks.attic.co2]\n" + lines).co2
        assert co2 is not None and (co2.control, co2.ph_setpoint) == (control, setpoint)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (
            "tap_hardness_dkh = -1",
            "line 9: tanks.attic.water.tap_hardness_dkh: must be from 0 to 40 dKH, not -1",
        ),
        (
            "general_hardness_dgh = 140",
            "must be from 0 to 60 dGH, not 140; did you mean 140 ppm as CaCO3 (7.8 dGH)?",
        ),
        ("conductivity_us_cm = 0", "must be more than 0 and at most 10000 µS/cm, not 0; is it in mS/cm?"),
        ("active_soil = 1", "water.active_soil: must be true or false"),
        ('[tanks.attic.co2]\ncontrol = "clock"', "write 'hours' or 'always' or 'ph-controller'"),
        (
            '[tanks.attic.co2]\ncontrol = "always"\non = "10:00"\noff = "19:00"',
            'tanks.attic.co2: on and off contradict control = "always"',
        ),
        ("[tanks.attic.co2]\nph_setpoint = 6.7", "co2: ph_setpoint belongs to a pH controller"),
        (
            'ph_low = 6.8\nph_high = 7.4\n[tanks.attic.co2]\ncontrol = "ph-controller"\nph_setpoint = 6.7',
            "line 13: tanks.attic.co2.ph_setpoint: pH 6.7 is outside water.ph_low 6.8 and ph_high 7.4",
        ),
        ('[tanks.attic.co2]\ncontrol = "ph-controller"\nph_setpoint = 67', "that is no pH of a tank"),
    ],
)
def test_what_is_wrong_is_said_with_line_and_key(lines: str, message: str) -> None:
    with pytest.raises(SettingsError) as error:
        parse_settings(TANK + lines)
    assert message in str(error.value)


def said(lines: str) -> str:
    return overview(parse_settings(TANK + lines))


def test_a_tank_without_co2_but_with_hardness_is_said_to_be_judged() -> None:
    """The judge needs no [co2] where KH or a degassed pH ties pH to CO2; then `check` must say so."""
    left_out = "CO2, too much or none: no [co2]"
    assert left_out in said("")
    for lines, by in (
        ("carbonate_hardness_dkh = 3", "CO2 up to 30 mg/L, from pH and KH 3 dKH"),
        ("degassed_ph = 7.6", "from pH and the degassed pH 7.6"),
    ):
        text = said(lines)
        assert by in text and left_out not in text
        assert "CO2 that does not come, until the pH shows that gas is given: no [co2]" in text


def test_check_says_how_the_gas_is_given() -> None:
    text = said('[tanks.attic.co2]\ncontrol = "ph-controller"\nph_setpoint = 6.7')
    assert "pH controller that should hold pH 6.7" in text and "A steady pH is no proof" in text
    assert "no co2.on" not in text
    assert "no co2.ph_setpoint" in said('[tanks.attic.co2]\ncontrol = "ph-controller"')
    assert "should run night and day" in said('[tanks.attic.co2]\ncontrol = "always"')
    assert "no co2.on and off" in said("[tanks.attic.co2]\n")
    soil = said("carbonate_hardness_dkh = 3\ntap_hardness_dkh = 6\nactive_soil = true\n[tanks.attic.co2]")
    assert "new water has 6 dKH; the soil takes up hardness" in soil
