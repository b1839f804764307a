"""The lamp's periods, weekend and night light: what is taken, and what is said of what is wrong."""

from __future__ import annotations

import pytest

from rushlight.analysis.views.overview import overview
from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import LightSettings, parse_settings

TANK = """
[tanks.attic]
volume_litres = 75
timezone = "Europe/Oslo"
[tanks.attic.livestock]
temperature_low_c = 20
temperature_high_c = 26
[tanks.attic.light]
"""
TWO = 'periods = [["10:00", "13:30"], ["16:00", "20:30"]]\n'


def light(lines: str) -> LightSettings:
    found = parse_settings(TANK + lines).tanks["attic"].light
    assert found is not None
    return found


def test_periods_weekend_and_night_light_are_taken() -> None:
    made = light(TWO + 'weekend = [["09:00", "21:00"]]\nnight_light = true')
    assert made.periods == [["10:00", "13:30"], ["16:00", "20:30"]]
    assert made.weekend == [["09:00", "21:00"]] and made.night_light
    assert light('on = "10:00"\noff = "20:00"\nweekend = [["09:00", "21:00"]]').night_light is False
    assert light('periods = [["20:00", "02:00"], ["08:00", "10:00"]]').periods


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ("periods = []", "line 9: tanks.attic.light.periods: is empty; write pairs"),
        ('periods = [["10:00"]]', "light.periods[1]: must be an on and an off, as in"),
        ('periods = [["10:00", "11:00", "12:00"]]', "not 3 times"),
        ('periods = ["10:00", "12:00"]', "light.periods[1]: must be a list, not text"),
        ("periods = [[10, 12]]", "light.periods[1][1]: must be text in quotes"),
        ('periods = [\n["10:00", "12:00"],\n["15:00", "25:00"]]', "line 11: tanks.attic.light.periods[2]"),
        ('periods = [["10:00", "10:00"]]', "light.periods[1]: on and off are the same"),
        ('periods = [["10:00", "13:00"], ["13:00", "15:00"]]', "10:00 to 13:00 is not over before 13:00"),
        ('periods = [["15:00", "17:00"], ["10:00", "16:00"]]', "10:00 to 16:00 is not over before 15:00"),
        ('periods = [["20:00", "02:00"], ["01:00", "03:00"]]', "20:00 to 02:00 is not over before 01:00"),
        (
            'periods = [["20:00", "02:00"]]\nweekend = [["01:00", "10:00"]]',
            "line 10: tanks.attic.light.weekend: 20:00 to 02:00 is not over before 01:00 to 10:00",
        ),
        (
            'on = "20:00"\noff = "02:00"\nweekend = [["01:00", "10:00"]]',
            "light.weekend: 20:00 to 02:00 is not",
        ),
        ('on = "09:00"\noff = "12:00"\n' + TWO, "light: periods are in place of on and off; remove one"),
        ('weekend = [["09:00", "21:00"]]', "light: weekend needs the other days' hours"),
        ("periods = [" + '["10:00", "10:30"],' * 9 + "]", "periods: must have 8 entries at most, not 9"),
        ('on = "09:00"\noff = "12:00"\nnight_light = "no"', "night_light: must be true or false"),
    ],
)
def test_a_slip_in_the_periods_is_named(lines: str, message: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(TANK + lines)
    assert message in str(caught.value)
    assert len(str(caught.value).splitlines()) <= 2


def test_check_says_the_hours_in_words() -> None:
    said = overview(parse_settings(TANK + TWO + 'weekend = [["09:00", "21:00"]]\nnight_light = true'))
    assert "Monday to Friday: lamp on 10:00 to 13:30 and 16:00 to 20:30, within 10 min" in said
    assert "Saturday and Sunday: lamp on 09:00 to 21:00" in said
    assert "a weak light by night is meant" in said
    assert "the lamp's times" not in said
    assert "the lamp's times (no light.on and off, no light.periods)" in overview(
        parse_settings(TANK + "night_light = true")
    )
