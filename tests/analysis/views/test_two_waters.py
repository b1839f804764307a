"""Two waters compared before animals are moved."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.physics.fit_for_animals import AnimalLimits, Destination, may_move
from rushlight.analysis.physics.mixing import Water, compare
from rushlight.analysis.views.two_waters import comparison, match_lines
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import SettingsError
from rushlight.collector.readings import PH, SOURCE_PH, SOURCE_TEMPERATURE, TEMPERATURE, Flag, Reading
from rushlight.collector.service.parts import part_of
from rushlight.collector.settings import LivestockSettings, load_settings
from rushlight.collector.store.embedded import EmbeddedStore

LIVESTOCK = LivestockSettings(temperature_low_c=18.0, temperature_high_c=26.0)
NOW = 1_790_000_000_000
SETTINGS = """
[tanks.study]
title = "Study window"
volume_litres = 54
timezone = "Europe/Lisbon"
[tanks.study.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
[tanks.tub]
title = "Tub in the yard"
volume_litres = 200
timezone = "Europe/Lisbon"
[tanks.tub.livestock]
temperature_low_c = 4.0
temperature_high_c = 28.0
"""


def words(here: Water, there: Water) -> str:
    return "\n".join(match_lines(here, there, LIVESTOCK))


def test_close_waters_match_and_far_ones_do_not() -> None:
    tank = Water("tank", 22.0, 7.0)
    assert compare(tank, Water("tub", 21.0, 7.2)).matched
    assert not compare(tank, Water("tub", 17.0, 7.2)).matched
    assert not compare(tank, Water("tub", 21.5, 7.8)).matched
    assert "They match: tub is 1.0 °C colder and 0.20 pH higher" in words(tank, Water("tub", 21.0, 7.2))
    assert "do not match: tub is 5.0 °C colder" in words(tank, Water("tub", 17.0, 7.2))


def test_portions_follow_the_published_dilution() -> None:
    """(1-f)^n of a difference is left: 0.75^4 = 0.3164 (dilution law, computed); 6 °C leaves 1.90."""
    found = compare(Water("tank", 23.0, 7.0), Water("tub", 17.0, 7.0))
    assert found.portions == 4
    assert 6.0 * 0.316406 < 2.0 < 6.0 * 0.421875
    assert "17.0 → 18.5 → 19.6 → 20.5 → 21.1 °C" in words(Water("tank", 23.0, 7.0), Water("tub", 17.0, 7.0))


def test_ammonia_grows_as_published() -> None:
    """Emerson et al. 1975 (formula from memory): 0.0027207 at 15 °C, pH 7.0; 0.014266 at 22 °C, pH 7.5."""
    found = compare(Water("tank", 22.0, 7.5), Water("tub", 15.0, 7.0))
    assert found.ammonia == pytest.approx(0.014266 / 0.0027207, rel=1e-3)
    assert "5 times as much of any ammonia" in words(Water("tank", 22.0, 7.5), Water("tub", 15.0, 7.0))


def test_what_is_not_known_is_said() -> None:
    said = words(Water("tank", 22.0, 7.0), Water("tub", None, 7.0))
    assert "Unknown: no good temperature of tub" in said
    assert "unplug at the wall first" in said  # a probe is to be looked at
    said = words(Water("tank", 22.0, None), Water("tub", 21.0, 7.0))
    assert "The pH of one of them is not known" in said
    assert compare(Water("tank", 22.0, None), Water("tub", 21.0, 7.0)).matched


def test_cautions_and_limits_are_there() -> None:
    said = words(Water("tank", 25.0, 7.0), Water("tub", 15.0, 7.0))
    for part in ("unplug at the wall", "residual-current device", "vet", "days"):
        assert part in said
    said = words(Water("tank", 29.0, 7.0), Water("tub", 15.0, 7.0))
    for part in ("unplug at the wall", "vet", "tank itself is outside its livestock's limits"):
        assert part in said
    assert "times (" not in said, "a plan into water that is too warm"


@given(st.floats(-2, 40), st.floats(-2, 40), st.none() | st.floats(3, 11), st.none() | st.floats(3, 11))
def test_enough_portions_always_close_the_gap(
    here_c: float, there_c: float, here_ph: float | None, there_ph: float | None
) -> None:
    found = compare(Water("a", here_c, here_ph), Water("b", there_c, there_ph))
    left = abs(here_c - there_c) * 0.75**found.portions
    assert left < 2.0 + 1e-6
    assert found.matched == (found.portions == 0)
    assert all(math.isfinite(x) for x in (found.colder_c, found.lower_ph, found.ammonia) if x is not None)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "rushlight.toml").write_text(SETTINGS)
    with EmbeddedStore(tmp_path / "rushlight.db") as store, store.transaction():
        for minutes in range(600, 0, -10):
            t = NOW - minutes * 60_000
            store.add_readings(
                [
                    Reading("study", TEMPERATURE, t, 22.0, Flag.PASS),
                    Reading("study", PH, t, 6.9, Flag.PASS),
                    Reading("study", SOURCE_TEMPERATURE, t, 21.2, Flag.PASS),
                    Reading("study", SOURCE_PH, t, 7.1, Flag.PASS),
                    Reading("tub", TEMPERATURE, t, 12.0 + minutes / 100, Flag.PASS),
                ]
            )
    return tmp_path


def test_the_command_compares_with_the_second_water_or_another_tank(folder: Path) -> None:
    settings = load_settings(folder / "rushlight.toml")
    own = "\n".join(comparison(settings, "study", None, lambda: NOW))
    assert "They match: the other water is 0.8 °C colder" in own
    tub = "\n".join(comparison(settings, "study", "tub", lambda: NOW))
    assert "do not match: Tub in the yard is 9.9 °C colder" in tub
    assert "The limits of the animals to be moved are not known" in own and "stand is not known" not in tub
    assert "12.1 °C (12.1 to 18.0 °C in a day)" in tub
    stale = "\n".join(comparison(settings, "study", None, lambda: NOW + 7_200_000))
    assert "Unknown" in stale


def test_the_command_finds_tanks_of_different_parts(tmp_path: Path) -> None:
    (tmp_path / "rushlight.toml").write_text(SETTINGS)
    parts = next(n for n in range(2, 50) if part_of("study", n) != part_of("tub", n))
    for tank, celsius in (("study", 22.0), ("tub", 12.1)):
        path = tmp_path / f"rushlight.{part_of(tank, parts)}-of-{parts}.db"
        with EmbeddedStore(path) as store, store.transaction():
            store.add_readings([Reading(tank, TEMPERATURE, NOW - 60_000, celsius, Flag.PASS)])
    said = "\n".join(comparison(load_settings(tmp_path / "rushlight.toml"), "study", "tub", lambda: NOW))
    assert "do not match: Tub in the yard is 9.9 °C colder" in said


def test_an_unknown_tank_is_named(folder: Path) -> None:
    with pytest.raises(SettingsError, match="no 'pond'; it has study, tub"):
        list(comparison(load_settings(folder / "rushlight.toml"), "study", "pond"))


COOL = AnimalLimits("the fish of the tub", 4.0, 16.0)


def may(to: Destination, animals: AnimalLimits = COOL) -> str:
    return may_move(to, animals, LIVESTOCK).answer


@pytest.mark.parametrize(
    ("to", "answer"),
    [
        (Destination("tank", 23.0), "don't"),
        (Destination("tank", 17.9), "don't"),  # and below what its own animals stand
        (Destination("tank", None), "not known"),
        (Destination("tank", None, 7.0, 47.0), "don't"),
    ],
)
def test_animals_of_cool_water_go_into_no_warm_tank(to: Destination, answer: str) -> None:
    assert may(to) == answer


@pytest.mark.parametrize(
    ("to", "answer"),
    [
        (Destination("tank", 22.0, 7.0, 20.0, 26.0), "go"),
        (Destination("tank", 22.0, 7.0, 30.5, 40.0), "don't"),
        (Destination("tank", 22.0, 7.0, 26.0, 34.0), "go"),  # with a word of care
        (Destination("tank", 22.0, 5.9), "don't"),
        (Destination("tank", 22.0, 8.1), "don't"),
        (Destination("tank", 22.0, 7.0, day_c=(21.0, 24.5)), "wait"),
        (Destination("tank", 22.0, 7.0, day_c=(21.0, 23.5)), "go"),
    ],
)
def test_each_limit_of_the_animals_counts(to: Destination, answer: str) -> None:
    animals = AnimalLimits("the fish of the tub", 18.0, 24.0, 6.0, 8.0, 30.0)
    assert may(to, animals) == answer
    assert may_move(to, animals, LIVESTOCK).reasons or answer == "go"


@given(st.floats(-2, 40), st.floats(4, 9), st.floats(0, 200), st.floats(-2, 40))
def test_never_a_plan_into_water_outside_the_limits(
    celsius: float, ph: float, gas: float, from_c: float
) -> None:
    animals = AnimalLimits("the fish of the tub", 16.0, 24.0, 6.0, 8.0, 25.0)
    here, there = Water("tank", celsius, ph), Water("tub", from_c, 7.0)
    said = "\n".join(match_lines(here, there, LIVESTOCK, animals, (gas, gas * 1.3)))
    fit = 18.0 <= celsius <= 24.0 and 6.0 <= ph <= 8.0 and gas <= 25.0
    assert ("Don't move them" in said) is not fit
    assert fit or "exchange a quarter" not in said


def test_the_command_asks_for_the_limits_of_the_animals_own_tank(folder: Path) -> None:
    """The tub's fish stand 4 to 16 °C by its settings: nobody offers to warm them to 22 °C in steps."""
    path = folder / "rushlight.toml"
    path.write_text(SETTINGS.replace("temperature_high_c = 28.0", "temperature_high_c = 16.0"))
    said = "\n".join(comparison(load_settings(path), "study", "tub", lambda: NOW))
    assert "Don't move them into Study window: water of 22.0 °C is above the limits of" in said
    assert "the animals of Tub in the yard (4 to 16 °C)" in said
    assert "exchange a quarter" not in said
    typed = comparison(load_settings(path), "study", "tub", lambda: NOW, (None, 24.0))
    assert "exchange a quarter" in "\n".join(typed)
    typed = comparison(load_settings(path), "study", None, lambda: NOW, (None, 20.0))
    assert "above the limits of the animals to be moved (20 °C)" in "\n".join(typed)
    with pytest.raises(SettingsError, match="--temperature-low: 20 °C must be below"):
        list(comparison(load_settings(path), "study", None, lambda: NOW, (20.0, 20.0)))


@pytest.mark.parametrize(("ph", "refused"), [(6.3, True), (6.9, False)])
def test_the_command_mixes_into_no_water_that_is_over_the_limit_of_carbon_dioxide(
    folder: Path, ph: float, refused: bool
) -> None:
    """KH 4 dKH at 22 °C: pH 6.3 is 60 mg/L and 6.9 is 15, by the carbonate equilibria (test_water.py)."""
    path = folder / "rushlight.toml"
    path.write_text(
        SETTINGS.replace("[tanks.tub]", "[tanks.study.water]\ncarbonate_hardness_dkh = 4.0\n[tanks.tub]")
    )
    readings = [
        Reading("study", quantity, NOW - minute * 60_000, value, Flag.PASS)
        for minute in range(10, 0, -1)
        for quantity, value in ((TEMPERATURE, 22.0), (PH, ph))
    ]
    settings = load_settings(path)
    watch = TankWatch("study", settings.tanks["study"])
    with EmbeddedStore(folder / "rushlight.db") as store:
        store.add_readings(readings)
        said = "\n".join(comparison(settings, "study", "tub", lambda: NOW))
        assert "CO2 in Study window is not known: test pH and KH first" in said  # nothing is judged as yet
        for reading in readings:
            watch.feed(reading)
        store.save_state(ANALYSIS_STATE, "study", watch.snapshot(), 0)
    said = "\n".join(comparison(settings, "study", "tub", lambda: NOW))
    assert "CO2 in Study window is not known" not in said
    assert ("mg/L of CO2, over the limit of 30" in said) is refused
    assert ("exchange a quarter" in said) is not refused
