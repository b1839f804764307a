"""How long a limit is passed before it is an alarm, and what is said meanwhile.

Readings as a board would send them, through quality flags, frames and the whole analysis. Courses are made up
(common practice, no source); the figure for CO2 is the carbonate equilibrium's, checked in test_water.py.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.detectors import patience
from rushlight.analysis.detectors.patience import PATIENCE, patience_ms
from rushlight.analysis.findings import Finding
from rushlight.analysis.views.beyond_limits import being_checked
from rushlight.analysis.views.status import status_lines
from rushlight.analysis.watch.diagnosis import diagnose
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.bare_numbers import bare_numbers

MINUTE = 60_000
DAY = 1440
MIDNIGHT = 1_772_323_200_000  # 2026-03-01T00:00Z, 09:00 in Tokyo
SETTINGS = """
[tanks.shelf]
volume_litres = 54
timezone = "Asia/Tokyo"
[tanks.shelf.water]
carbonate_hardness_dkh = 4.0
[tanks.shelf.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
co2_limit_mg_l = 30.0
[tanks.shelf.heater]
setpoint_c = 24.0
[tanks.shelf.co2]
source = "cylinder"
[tanks.shelf.ph_calibration]
calibrated = 2026-02-27
"""
Course = Callable[[float], float]


class Shelf:
    """A tank under watch; `raised` has (minutes since the last `run` began, event)."""

    def __init__(self) -> None:
        self.settings = parse_settings(SETTINGS)
        self.intake = Intake(self.settings)
        self.watch = TankWatch("shelf", self.settings.tanks["shelf"])
        self.chance = random.Random(5)
        self.minute = 600.0
        self.raised: list[tuple[float, Event]] = []
        self.latest: dict[str, Reading] = {}
        self.said: list[str] = []

    @property
    def now_ms(self) -> int:
        return MIDNIGHT + round(self.minute * MINUTE)

    def run(self, minutes: float, ph: Course, celsius: Course, every_s: int = 10, room: bool = True) -> Shelf:
        self.raised.clear()
        self.said.clear()
        begin = self.minute
        while self.minute < begin + minutes:
            since = self.minute - begin
            values = [
                ("temperature", round((celsius(since) + self.chance.gauss(0, 0.02)) * 16) / 16),
                ("ph", round(ph(since) + self.chance.gauss(0, 0.008), 2)),
            ]
            if room:
                values.append(("room_temperature", round(20 + self.chance.gauss(0, 0.03), 2)))
            for quantity, value in values:
                for reading in self.intake.take(Reading("shelf", quantity, self.now_ms, value)):
                    self.latest[quantity] = reading
                    self.raised += [(since, e) for e in self.watch.feed(reading) if e.event == "raised"]
            if round(since * 60) % 60 == 0:
                checks = being_checked(self.watch, self.latest, self.now_ms)
                self.said += [check.text for check in checks if check.text not in self.said]
            self.minute += every_s / 60
        return self

    def lived(self) -> Shelf:
        """Three usual days: the valve opens at 10 h and closes at 18 h."""

        def usual(since: float) -> float:
            hour = (since / 60 + 10) % 24
            gassed = (
                1 - math.exp(-(hour - 10) / 1.5) if 10 <= hour < 18 else math.exp(-((hour - 18) % 24) / 2)
            )
            return 7.3 - 0.55 * gassed

        self.run(3 * DAY + 360, usual, lambda at: 24 + 0.2 * math.sin(at / 40), every_s=60)
        assert not self.raised and not self.said, "a usual day"
        return self

    def names(self) -> list[str]:
        return [event.alarm for _, event in self.raised]


@pytest.fixture(params=["fresh", "lived"])
def shelf(request: pytest.FixtureRequest) -> Shelf:
    if request.param == "lived":
        return Shelf().lived()
    found = Shelf().run(30, calm(6.8), calm(24.0))
    assert not found.raised and not found.said
    return found


def calm(level: float) -> Course:
    return lambda at: level


# -- the rule itself


def test_twice_the_excess_takes_a_quarter_of_the_time() -> None:
    """The error of a mean of n is smaller by the root of n (GUM, JCGM 100:2008, 4.2.3)."""
    hour = 60 * MINUTE
    for errors in (PATIENCE.from_errors, 0.0, -3.0):
        assert patience_ms(errors, hour, 0) == hour
    assert patience_ms(2 * PATIENCE.from_errors, hour, 0) == hour / 4
    assert patience_ms(3 * PATIENCE.from_errors, hour, 0) == round(hour / 9)
    with pytest.raises(ValueError, match="must be a number"):
        patience_ms(math.nan, hour, 0)


@given(st.floats(-50, 50), st.floats(0, 10), st.integers(0, 10**7), st.integers(0, 10**7))
def test_patience_never_grows_with_the_excess(errors: float, more: float, longest: int, least: int) -> None:
    assert patience_ms(errors + more, longest, least) <= patience_ms(errors, longest, least)
    assert min(longest, least) <= patience_ms(errors, longest, least) <= longest


def test_the_figures_of_patience() -> None:
    """Common practice, no source: changed on purpose only, with the diagnosis bench run before and after."""
    assert {number.name: number.value for number in PATIENCE.entries()} == {
        "from_errors": 1.2,
        "sudden_errors": 2.0,
        "disturbed_ms": 45 * MINUTE,
        "gas_first_day_ms": 20 * MINUTE,
        "gas_least_ms": 5 * MINUTE,
        "gas_sudden_least_ms": 10 * MINUTE,
        "heat_least_ms": 2 * MINUTE,
        "cold_least_ms": 45 * MINUTE,
        "with_lamp_ms": 16 * 60 * MINUTE,
    }


def test_every_number_has_a_name() -> None:
    assert bare_numbers([Path(patience.__file__)]) == []


# -- CO2


@pytest.mark.parametrize(
    ("ph", "within"), [(6.05, 12), (6.3, 17)], ids=["104 mg/L and more", "twice the limit"]
)
@pytest.mark.parametrize("fall_min", [0.5, 5.0], ids=["in a step", "in five minutes"])
def test_several_times_the_limit_is_an_alarm_within_minutes(
    shelf: Shelf, ph: float, within: float, fall_min: float
) -> None:
    """However it came: gas can't make a step, but nobody sleeps beside three times the limit for that."""
    shelf.run(20, lambda at: max(ph, 6.8 - (6.8 - ph) * at / fall_min), calm(24.0))
    assert "co2-overdose" in shelf.names()
    at, event = shelf.raised[0]
    assert at <= within + 5
    assert event.priority == "critical" and event.value is not None and event.value > 40
    assert at <= 10 or any(
        "over the limit of 30 since" in text and "being checked" in text for text in shelf.said
    )


def test_a_splash_is_none(shelf: Shelf) -> None:
    shelf.run(60, lambda at: 6.0 if at < 3 else 6.8, calm(24.0))
    assert not shelf.raised
    shelf.run(20, calm(6.0), calm(24.0))  # the twin: it stays
    assert "co2-overdose" in shelf.names()


@pytest.mark.parametrize("ph", [5.0, 4.5])
def test_a_leap_to_deadly_figures_is_one_alarm_and_stays_it(shelf: Shelf, ph: float) -> None:
    """An electrode that hangs in air shows what it likes: for three quarters of an hour it may be gas."""
    shelf.run(180, calm(ph), calm(24.0))
    assert shelf.names() == ["co2-overdose"] and shelf.raised[0][0] <= 15
    assert shelf.watch.book.standing() == {"co2-overdose"}
    (record,) = shelf.watch.book.records().values()
    assert record.finding is not None
    assert record.finding.observations[-1].startswith("it may be the probe: it leapt from")
    # somebody has looked at the water: then it is the fault that is to be mended
    key = ("shelf", "co2-overdose", "")
    shelf.watch.book.shelve(key, shelf.now_ms + 3 * 3_600_000, shelf.now_ms, "keeper")
    shelf.run(30, calm(ph), calm(24.0))
    assert shelf.names() == ["probe-fault"]
    # back in the water: all is over
    shelf.run(120, calm(6.8), calm(24.0))
    assert not shelf.raised and not shelf.watch.book.standing()


def test_an_electrode_in_its_buffers_is_none(shelf: Shelf) -> None:
    """pH 7.00 and 4.01 (phthalate; Buck et al. 2002), four minutes each, and back."""
    shelf.run(60, lambda at: 7.0 if at < 4 else 4.01 if at < 8 else 6.8, calm(24.0))
    assert not shelf.raised
    shelf.run(30, calm(6.0), calm(24.0))  # the twin: the water itself, and it stays
    assert "co2-overdose" in shelf.names()


def test_what_is_said_is_the_beginning_by_local_time() -> None:
    shelf = Shelf().run(30, calm(6.8), calm(24.0)).run(12, calm(6.5), calm(24.0))
    (text,) = [text for text in shelf.said if text.startswith("CO2")][-1:]
    # the readings began at 10:00 UTC, 19:00 in Tokyo; judged every five minutes
    assert "over the limit of 30 since 19:3" in text


def test_a_limit_that_usual_days_pass_is_said_with_its_reason() -> None:
    """A tank of 32 mg/L every day by its KH: no alarm, but nobody reads "no alarm" and nothing else."""
    shelf = Shelf()
    shelf.run(30, calm(6.55), calm(24.0))
    assert not shelf.raised
    assert "but by less than the estimate may be off: test pH and KH" in shelf.said[-1]
    shelf.run(20, calm(6.0), calm(24.0))  # the twin: by more than that
    assert "co2-overdose" in shelf.names()


# -- the thermometer


@pytest.mark.parametrize("cup", [30.0, 38.0, 41.0])
def test_a_thermometer_in_a_cup_of_warm_water(shelf: Shelf, cup: float) -> None:
    """What everybody tries first: five minutes in the cup, then back. An alarm in time, then over."""
    shelf.run(60, calm(6.8), lambda at: cup if at < 5 else 24.0)
    ((at, event),) = shelf.raised
    assert event.alarm == "temperature-high" and at <= 5
    assert event.priority == "high" and event.value == pytest.approx(cup, abs=0.1)
    assert "the probe is no longer in the tank's water" in event.cause
    assert re.match("it leapt there from 2[34]", event.observations[1])
    assert not shelf.watch.book.standing(), "over within the hour"
    assert any("over the limit of 26 °C since" in text and "being checked" in text for text in shelf.said)
    shelf.run(6 * 60, calm(6.8), calm(24.0), every_s=60)
    assert not shelf.raised, "put back, it is believed again"


def test_a_quarter_of_an_hour_in_the_cup_is_no_fault_of_the_probe_afterwards(shelf: Shelf) -> None:
    shelf.run(15, calm(6.8), lambda at: 20 + 18 * math.exp(-at / 40))
    assert shelf.names() == ["temperature-high"]
    shelf.run(4 * 60, calm(6.8), calm(24.0), every_s=60)
    assert not shelf.raised
    shelf.run(
        6 * 60, calm(6.8), lambda at: 15.0 if at > 5 else 24.0
    )  # the twin: out of the water, and left there
    assert shelf.names()


def test_a_dip_and_a_bared_probe_are_none(shelf: Shelf) -> None:
    shelf.run(30, calm(6.8), lambda at: 38.0 if at < 1 else 24.0)
    assert not shelf.raised
    # in the air of the room, 20 °C, for a water change; 17 °C would be below the limit
    shelf.run(60, calm(6.8), lambda at: 17.5 if at < 20 else 24.0)
    assert not shelf.raised
    shelf.run(10, calm(6.8), calm(38.0))  # the twin of the dip: it stays
    assert shelf.names() == ["temperature-high"]


def test_a_bared_probe_in_a_cold_room_leaves_nothing_behind(shelf: Shelf) -> None:
    """It cools towards the air in minutes and comes back; by then its readings have jumped about."""
    air = shelf.run(60, calm(6.8), lambda at: 10 + 14 * math.exp(-at / 2.5) if at < 15 else 24.0, 60, False)
    assert "temperature-low" not in air.names()
    shelf.run(4 * 60, calm(6.8), calm(10.0), 60, False)  # the twin: it does not come back
    assert shelf.names() == ["probe-fault"]


def test_cold_that_is_not_the_rooms_air_is_an_alarm_within_the_hour(shelf: Shelf) -> None:
    """Cold harms slowly, and water poured in too cold is warmed again; but it is said at once."""
    shelf.run(60, calm(6.8), calm(9.0))
    assert "temperature-low" in shelf.names()
    assert 45 <= shelf.raised[0][0] <= 55
    assert any("under the limit of 18 °C since" in text and "being checked" in text for text in shelf.said)


def test_water_that_steps_a_little_past_the_limit_does_not_wait_three_quarters_of_an_hour(
    shelf: Shelf,
) -> None:
    shelf.run(30, calm(6.8), calm(27.5))
    at, event = shelf.raised[0]
    assert event.alarm == "temperature-high" and at <= 15


def test_a_leap_takes_back_no_alarm_that_is_raised() -> None:
    fault = Finding(alarm="probe-fault", quantity="temperature", credible="leap")
    warm = Finding(alarm="temperature-high")
    assert diagnose([fault, warm], {"temperature-high"}) == [fault, warm]
    assert diagnose([fault, warm], set()) == [fault]


def test_the_screen_says_it(tmp_path: Path) -> None:
    shelf = Shelf().run(30, calm(6.8), calm(24.0)).run(3, calm(6.8), calm(38.0))
    settings = parse_settings(SETTINGS, str(tmp_path / "rushlight.toml"))
    with EmbeddedStore(settings.store_path()) as store:
        with store.transaction():
            store.add_readings(list(shelf.latest.values()))
            store.save_state(ANALYSIS_STATE, "shelf", shelf.watch.snapshot(), 0)
        text = "\n".join(line.plain for line in status_lines(settings, store, shelf.now_ms))
    assert "no alarm yet: water 38.0 °C, over the limit of 26 °C since 19:30, being checked" in text
    assert "no alarms" not in text
