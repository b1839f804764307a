"""Units as people have them, against published factors."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import RATIONALE, rationale_for
from rushlight.analysis.findings import Finding
from rushlight.analysis.notices.notifier import Notifier
from rushlight.collector.errors import SettingsError
from rushlight.collector.events import Event
from rushlight.collector.settings import NoticeSettings, Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.units import Display, celsius, did_you_mean, fahrenheit, shown, typed

NOW_MS = 1_772_359_200_000

TEXT = """
[tanks.patio]
volume_litres = {volume}
timezone = "America/Denver"
[tanks.patio.livestock]
temperature_low_c = {low}
temperature_high_c = {high}
[tanks.patio.water]
carbonate_hardness_dkh = {kh}
"""


def settings(volume: str = "60", low: str = "18", high: str = "26", kh: str = "4") -> Settings:
    return parse_settings(TEXT.format(volume=volume, low=low, high=high, kh=kh))


# NIST SP 811 (2008), B.8 and B.9; ITS-90 fixed and everyday points
@pytest.mark.parametrize(("f", "c"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (98.6, 37.0)])
def test_fahrenheit(f: float, c: float) -> None:
    assert celsius(f) == pytest.approx(c) and fahrenheit(c) == pytest.approx(f)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("75 F", "°C", 23.89),
        ("75°F", "°C", 23.89),
        ("24,5", "°C", 24.5),
        ("20 gal", "L", 75.71),  # 231 cubic inches, exact
        ("1 mmol/L", "dKH", 5.61),  # 100.09 mg/L as CaCO3 (CIAAW 2021) over 17.848
        ("17.848 ppm", "dKH", 1.0),
        ("1 meq/L", "dKH", 2.8),  # DIN 38409-6: 1 mmol/L of acid capacity is 2.8 German degrees
        ("143 ppm", "dGH", 8.01),
    ],
)
def test_what_is_typed(text: str, unit: str, value: float) -> None:
    assert typed(text, unit) == pytest.approx(value, abs=0.006)


@pytest.mark.parametrize("text", ["", "warm", "75 K", "1e999 F", "20 gal", "75 F F", "--3 C"])
def test_what_is_no_temperature_is_refused_with_how_to_write_it(text: str) -> None:
    with pytest.raises(ValueError, match="75 F"):
        typed(text, "°C")


@pytest.mark.parametrize("text", ["1,200 L", "1,000 gal", "1,000.5 gal", "-1,000,000 l"])
def test_a_comma_before_three_digits_is_not_guessed_at(text: str) -> None:
    with pytest.raises(ValueError, match="without a comma"):
        typed(text, "L")
    assert typed("1,2 L", "L") == 1.2 and typed("1200 L", "L") == 1200.0 and typed("0,125 L", "L") == 0.125


@given(st.integers(min_value=30, max_value=110))
def test_a_whole_fahrenheit_comes_back_as_typed(value: int) -> None:
    kept = typed(f"{value} F", "°C")
    assert shown(f"limit {kept:g} °C", "us") == f"limit {value} °F"


@given(st.floats(min_value=-5, max_value=45))
def test_what_is_shown_is_what_was_judged_to_the_last_figure(value: float) -> None:
    text = shown(f"water {value:.1f} °C", "us")
    back = celsius(float(text.removeprefix("water ").removesuffix(" °F")))
    assert back == pytest.approx(value, abs=0.05 + 0.05 / 1.8 + 1e-9)


@given(st.floats(min_value=-3, max_value=3), st.sampled_from([" an hour", "/h", " below", " a day"]))
def test_a_difference_has_no_offset(value: float, step: str) -> None:
    text = shown(f"{value:+.2f} °C{step}", "us")
    # a rate of one degree and more to a tenth, all else to a hundredth
    close = 0.06 if step != " below" and abs(value) * 1.8 > 0.98 else 0.015
    assert float(text.removesuffix(f" °F{step}")) == pytest.approx(value * 1.8, abs=close)


@given(st.text(alphabet="0123456789 .+-°CLdKHto→mg/", max_size=60))
def test_any_text_is_converted_once_only_and_never_raises(text: str) -> None:
    once = shown(text, "us")
    assert shown(once, "us") == once
    assert shown(text, "metric") == text


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        ("water 24.1 °C, 0.6 °C above what it holds", "water 75.4 °F, 1.1 °F above what it holds"),
        ("at no more than 1 to 2 °C a day", "at no more than 1.8 to 3.6 °F a day"),
        ("Cool by about 1 °C an hour: float", "Cool by about 2 °F an hour: float"),
        ("cold water at a time, about 1 °C an hour.", "cold water at a time, about 2 °F an hour."),
        ("at most 1 °C an hour", "at most 1.8 °F an hour"),  # a limit is not rounded
        ("set them at least 1 °C apart", "set them at least 1.8 °F apart"),
        ("by 1 °C a day at most", "by 1.8 °F a day at most"),
        ("known within about 0.2 °C", "known within about 0.4 °F"),
        ("about 24 °C in summer", "about 75 °F in summer"),
        ("changing -0.76 °C an hour", "changing -1.4 °F an hour"),
        ("changing +0.25 °C an hour", "changing +0.45 °F an hour"),
        ("slowed by 1.10 °C/h, 0.04 °C/h is usual", "slowed by 2.0 °F/h, 0.07 °F/h is usual"),
        ("off by 2.6 °C; by more than 2 °C it is", "off by 4.7 °F; by more than 3.6 °F it is"),
        ("calibrated the thermometer: by -1.25 °C", "calibrated the thermometer: by -2.25 °F"),
        ("22.1 → 24.5 °C", "71.8 → 76.1 °F"),
        ("within 20 to 26 °C", "within 68 to 78.8 °F"),
        ("cools by 0.25 °C an hour", "cools by 0.45 °F an hour"),
        ("60 L, KH 4 dKH, CO2 30 mg/L", "15.9 gal, KH 4 dKH (71 ppm), CO2 30 mg/L"),
        ("add 1.0 L, then 12.5 L", "add 0.26 gal, then 3.3 gal"),  # 1 / 3.785 411 784
        ("drip 2.3 L/h, 5 L/min", "drip 0.61 gal/h, 5 L/min"),
        ("water temperature, °C", "water temperature, °F"),
        ("differ by more than 3 °C: that is", "differ by more than 5.4 °F: that is"),
        ("as the tank, within 0.5 °C.", "as the tank, within 0.9 °F."),
        ("25 °C, 2.0 °C less", "77 °F, 3.6 °F less"),
        ("by +0.20 °C a day (± 0.05 °C, 95 %)", "by +0.36 °F a day (± 0.09 °F, 95 %)"),
        ("steps of 0.25 °C; a step of 0.5 °C", "steps of 0.45 °F; a step of 0.9 °F"),
        ("pH 6.8, 24.5 °C at 02:14, 24 °C", "pH 6.8, 76.1 °F at 02:14, 75.2 °F"),
    ],
)
def test_texts(metric: str, us: str) -> None:
    assert shown(metric, "us") == us


def test_settings_take_values_with_their_unit() -> None:
    found = settings('"20 gal"', '"64 F"', '"79 F"', '"71 ppm"').tanks["patio"]
    assert found.volume_litres == 75.71
    assert (found.livestock.temperature_low_c, found.livestock.temperature_high_c) == (17.78, 26.11)
    assert found.water.carbonate_hardness_dkh == 3.98
    assert settings().tanks["patio"].volume_litres == 60


@pytest.mark.parametrize(
    ("given_", "asked"),
    [
        ({"high": "79"}, 'did you mean 79 °F (26.1 °C)? Then write "79 F"'),
        ({"kh": "71"}, 'did you mean 71 ppm as CaCO3 (4.0 dKH)? Then write "71 ppm"'),
        ({"kh": '"71 F"'}, "'71 F' can't be read; write it as \"4 dKH\""),
        ({"volume": '"ten"'}, 'as "54 L" or "20 gal"'),
        ({"high": '"26"'}, "must be a number, not text in quotes"),
        ({"high": '"200 F"'}, "must be from -2 to 45 °C"),
    ],
)
def test_a_value_that_fits_another_unit_is_asked_about(given_: dict[str, str], asked: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(asked)) as raised:
        settings(**given_)
    assert "line " in str(raised.value)


def test_what_fits_no_unit_is_not_asked_about() -> None:
    assert did_you_mean(300, "°C") == "" and did_you_mean(25, "°C") == ""
    assert did_you_mean(5000, "dKH") == "" and did_you_mean(50, "mg/L") == ""


def test_a_tank_called_60_l_is_no_quantity() -> None:
    text = "HIGH: water 27.4 °C in 60 L by the window, too warm; 60 L of water"
    assert shown(text, "us", ["Shelf", "60 L by the window"]) == (
        "HIGH: water 81.3 °F in 60 L by the window, too warm; 15.9 gal of water"
    )
    # without the name it is one, and a name without a quantity changes nothing
    assert "15.9 gal by the window" in shown(text, "us", ["Shelf"])
    # where a headline has cut the name off
    assert shown("water 27.4 °C in 60 L by the…, too warm", "us", ["60 L by the window"]) == (
        "water 81.3 °F in 60 L by the…, too warm"
    )
    assert shown(text, "metric", ["60 L by the window"]) == text


def test_notices_leave_a_tanks_name_as_it_is(tmp_path: Path) -> None:
    taken: list[str] = []

    def take(url: str, title: str, body: str, *rest: object) -> bool:
        taken.append(title)
        return True

    tanks = parse_settings(TEXT.format(volume="60", low="18", high="26", kh="4")).tanks
    tanks["patio"].title = "60 L"
    notifier = Notifier(
        NoticeSettings(),
        environment={"RUSHLIGHT_NOTICE_URLS": "json://localhost/a"},
        clock=lambda: NOW_MS,
        sender=take,
        units="us",
        tanks=tanks,
    )
    book = AlarmBook("patio", "60 L")
    found = Finding(alarm="temperature-high", priority="high", value=27.4, unit="Cel")
    with EmbeddedStore(tmp_path / "r.db") as store:
        (event,) = book.update([found], 0) + book.update([found], 121_000)
        with store.transaction():
            store.add_event(event)
            notifier.queue_for(event, store, NOW_MS)
        notifier.run_once(store, NOW_MS)
    assert "in 60 L" in taken[0] and "81.3 °F" in taken[0]


def test_notices_are_shown_in_the_units_of_the_settings(tmp_path: Path) -> None:
    """Store and outbox keep °C; what a target takes is in °F."""
    for units, wanted in (("metric", "27.4 °C"), ("us", "81.3 °F")):
        taken: list[str] = []

        def take(url: str, title: str, body: str, *rest: object, into: list[str] = taken) -> bool:
            into.append(title + body)
            return True

        display: Display = "us" if units == "us" else "metric"
        notifier = Notifier(
            NoticeSettings(),
            environment={"RUSHLIGHT_NOTICE_URLS": "json://localhost/a"},
            clock=lambda: NOW_MS,
            sender=take,
            units=display,
        )
        with EmbeddedStore(tmp_path / f"{units}.db") as store:
            event = Event(
                time="2026-03-01T10:00:00Z",
                tank="patio",
                alarm="temperature-high",
                event="raised",
                priority="high",
                summary="HIGH: water 27.4 °C in Patio, too warm",
                detail="",
                cautions=[],
                occurrence="patio/temperature-high/2026-03-01T10:00:00Z",
                action="1. Cool by about 1 °C an hour.",
            )
            with store.transaction():
                store.add_event(event)
                notifier.queue_for(event, store, NOW_MS)
            assert "27.4 °C" in store.pending_notices()[0].title
            notifier.run_once(store, NOW_MS)
        assert len(taken) == 1 and wanted in taken[0]
        assert ("about 2 °F an hour" in taken[0]) is (units == "us")
        assert "reminded every 15 min until" in taken[0]


@pytest.mark.parametrize("alarm", RATIONALE)
def test_no_step_of_any_alarm_gives_a_rule_of_thumb_with_decimals(alarm: str) -> None:
    steps = [step for probe in ("", "ph", "temperature") for step in rationale_for(alarm).action_for(probe)]
    for step in map(lambda text: shown(text, "us"), steps):
        assert "°C" not in step and not re.search(r"about \d+\.\d+ °F", step), step
