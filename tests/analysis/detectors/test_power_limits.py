"""Where each rule of the mains and of silence begins: just inside it nothing, just outside an alarm.

The figures are common practice, no source; made-up frames lie close on both sides of each.
"""

from __future__ import annotations

from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat.heater_lets_go import Turn
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.power.mains import PowerDetector
from rushlight.analysis.detectors.power.silence import SilenceDetector
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
BEGAN = 1_768_435_200_000
TEXT = (
    '[tanks.alcove]\nvolume_litres = 60\ntimezone = "Europe/Lisbon"\nreport_every_s = EVERY\n'
    "[tanks.alcove.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\n"
    "[tanks.alcove.heater]\nsetpoint_c = 25\n"
)


def tank_of(every_s: int = 60) -> Tank:
    return Tank("alcove", parse_settings(TEXT.replace("EVERY", str(every_s))).tanks["alcove"])


TANK = tank_of()
FLOOR = 24.6


class Shown:
    """A detector, and frames for it by the minute; the lamp goes out at minute 0."""

    def __init__(self, **sensors: Sensor) -> None:
        self.detector = PowerDetector()
        self.sensors = sensors
        self.facts: dict[str, Any] = {"floor": FLOOR, "cooling_rate": -0.6, "slope": None}
        self.lamp_back = False
        self.faulty: set[str] = set()
        self.active: set[str] = set()
        self.edge = 0  # a clear one of the lamp's

    def at(self, minute: float, celsius: float, watts: float | None = None, fifth: bool = False) -> bool:
        """Whether the alarm is there after that minute's frame."""
        start = BEGAN + round(minute * MINUTE)
        frame = Frame(start, start + MINUTE, celsius, None, None, None, watts, {})
        moment = Moment(frame, 0, 800.0, fifth, self.active, sensors=self.sensors)
        moment.probes.faulty = self.faulty
        for name, value in self.facts.items():
            setattr(moment.heat, name, value)
        out = minute >= 0 and not self.lamp_back
        moment.lamp.on, moment.lamp.should_be_on = not out, True
        moment.lamp.out_since_ms = BEGAN if out else -1
        moment.lamp.edge, moment.lamp.clear = self.edge, self.edge != 0
        return bool(self.detector.update(TANK, moment))

    def first(self, celsius: float, until: int, watts: float | None = None, begin: int = 0) -> int | None:
        """The minute of the first frame with the alarm."""
        return next((n for n in range(begin, until + 1) if self.at(n, celsius, watts)), None)


def gap(
    minutes: float, fall: float, floor: float = 26.0, rate: float | None = -0.6, **sensors: Sensor
) -> bool:
    """Water of 25 °C, no report for so long, and the water so much cooler."""
    shown = Shown(**sensors)
    shown.lamp_back = True
    shown.facts = {"floor": floor, "cooling_rate": rate}
    assert not shown.at(0, 25.0)
    return shown.at(minutes, 25.0 - fall)


@pytest.mark.parametrize("doubted", [True, False])
def test_a_thermometer_that_is_doubted_leaves_no_gap(doubted: bool) -> None:
    """An hour of reports that are not believed, then cooler water; without a report it was a cut."""
    shown = Shown()
    shown.lamp_back = True
    shown.facts = {"floor": 26.0, "cooling_rate": -0.6}
    assert not shown.at(0, 25.0)
    if doubted:
        shown.faulty = {"temperature"}
        assert not any(shown.at(minute, 24.4) for minute in range(1, 60))
        shown.faulty = set()
    assert shown.at(60, 24.4) is not doubted


def test_a_gap_of_a_quarter_of_an_hour_or_two_reports_and_a_half() -> None:
    rare = Sensor(interval_ms=10 * MINUTE)
    assert not gap(15, 0.3) and gap(16, 0.3)
    assert not gap(12, 0.3)
    assert not gap(25, 0.35, temperature=rare) and gap(26, 0.35, temperature=rare)


@pytest.mark.parametrize(("hours", "least", "enough"), [(1, 0.24, 0.26), (10, 0.68, 0.72)])
def test_how_far_water_cools_in_a_gap_without_power(hours: int, least: float, enough: float) -> None:
    assert not gap(60 * hours, least) and gap(60 * hours, enough)


@pytest.mark.parametrize("rate", [-0.6, None])
def test_how_far_it_does_not_cool_by_itself(rate: float | None) -> None:
    """0.15 °C and 1.8 times the usual 0.6 °C an hour; so fast, too, where nothing is usual yet."""
    assert gap(16, 0.43, rate=rate) and not gap(16, 0.45, rate=rate)


def test_after_a_gap_the_water_is_below_what_the_heater_holds() -> None:
    assert not gap(30, 0.4, floor=24.69) and gap(30, 0.4, floor=24.71)


def test_a_fall_of_one_step_and_a_half_is_none() -> None:
    coarse = Sensor(step=0.5)
    assert not gap(60, 0.83, temperature=coarse) and gap(60, 0.87, temperature=coarse)


def test_a_cut_seen_in_a_gap_has_another_name_after_an_hour_and_a_half() -> None:
    shown = Shown()
    shown.lamp_back = True
    shown.at(0, 25.0)
    assert shown.at(60, 24.4)
    stands = [n for n in range(61, 300) if shown.at(n, 24.4)]
    assert stands[-1] == 60 + 90


@pytest.mark.parametrize("alarm", ["temperature-low", "heater-not-heating", "light-dimming"])
def test_water_that_was_too_cold_before_a_gap_says_nothing_of_the_mains(alarm: str) -> None:
    shown = Shown()
    shown.lamp_back = True
    shown.facts = {"floor": 26.0, "cooling_rate": -0.6}
    shown.at(0, 25.0)
    shown.active = {alarm}
    assert shown.at(60, 24.4) is (alarm == "light-dimming")


# -- lamp and heater, with a metering plug ----------------------------------------------------------


def metered(off: int, celsius: float, until: int = 30, watts: float = 50.0, **sensors: Sensor) -> int | None:
    """A heater that stops `off` minutes after the lamp; then `celsius`. The first minute of the alarm."""
    shown = Shown(**sensors)
    for n in range(-60, max(1, off)):
        assert not shown.at(n, 24.7, watts if n < off else 0.0)
    return shown.first(celsius, until, 0.0, begin=max(1, off))


def test_lamp_and_heater_that_stop_together_are_waited_on_for_twenty_minutes() -> None:
    assert metered(0, 24.55) == 21


def test_what_stops_together_stops_within_three_minutes_or_a_report() -> None:
    rare = Sensor(interval_ms=10 * MINUTE)
    assert metered(2, 24.55) == 21 and metered(3, 24.55) is None
    assert metered(11, 24.55, heater_power=rare) == 21 and metered(12, 24.55, heater_power=rare) is None


def test_a_heater_that_should_heat_and_draws_nothing_is_seen_sooner() -> None:
    """Below what it holds by 0.15 °C; the lamp out for eight minutes, and no longer than four hours."""
    assert metered(-30, FLOOR - 0.16) == 8
    assert metered(-30, FLOOR - 0.14) is None
    for minute, seen in ((239, 239), (240, None)):
        shown = Shown()
        for n in range(-60, minute):
            assert not shown.at(n, 24.7, 50.0 if n < -30 else 0.0)
        assert shown.first(FLOOR - 0.3, minute + 30, 0.0, begin=minute) == seen


def test_the_water_is_cooler_than_when_the_lamp_went() -> None:
    for fallen, seen in ((0.09, None), (0.11, 8)):
        shown = Shown()
        shown.facts["floor"] = 25.0
        for n in range(-60, 1):
            shown.at(n, 24.7, 50.0 if n < -30 else 0.0)
        assert shown.first(24.7 - fallen, 30, 0.0, begin=1) == seen


def test_what_a_heater_draws() -> None:
    assert metered(0, 24.55, watts=3.1) == 21
    assert metered(0, 24.55, watts=2.9) is None


def silent_plug(last: int, **sensors: Sensor) -> int | None:
    """The plug's last report so many minutes after the lamp went."""
    shown = Shown(**sensors)
    for n in range(-60, last + 1):
        assert not shown.at(n, 24.7, 50.0)
    return shown.first(24.7, 60, None, begin=last + 1)


def test_a_plug_that_falls_silent_as_the_lamp_goes() -> None:
    rare = Sensor(interval_ms=10 * MINUTE)
    assert silent_plug(0) == 9
    assert silent_plug(0, heater_power=rare) == 26
    assert silent_plug(-6) == 8 and silent_plug(-7) is None
    assert silent_plug(-12, heater_power=rare) == 14 and silent_plug(-13, heater_power=rare) is None


# -- and without ------------------------------------------------------------------------------------


def unmetered(slope: float, rate: float | None = -0.6, fallen: float = 0.4) -> int | None:
    shown = Shown()
    shown.facts |= {"slope": slope, "cooling_rate": rate, "floor": 25.0}
    for n in range(-30, 1):
        shown.at(n, 24.7)
    return shown.first(24.7 - fallen, 60, begin=1)


def test_water_that_cools_as_it_does_unheated() -> None:
    """By half of its usual cooling, and by 0.06 °C an hour; for twenty minutes, by 0.2 °C."""
    assert unmetered(-0.31) == 20 and unmetered(-0.29) is None
    assert unmetered(-0.07, rate=-0.1) == 20 and unmetered(-0.055, rate=-0.1) is None
    assert unmetered(-0.4, fallen=0.21) == 20 and unmetered(-0.4, fallen=0.19) is None


def test_where_the_heater_always_came_on_at_one_temperature_less_says_as_much() -> None:
    """0.1 °C below that; 0.15 °C below a floor that is only thought to be one."""
    for facts, short, far in (
        ({"floor": 25.0}, 24.86, 24.84),
        ({"floor": 24.5, "comes_on": 25.0}, 24.91, 24.89),
    ):
        for celsius, seen in ((short, None), (far, 20)):
            shown = Shown()
            shown.facts |= {"slope": -0.4, "cooling_rate": -0.6, **facts}
            for n in range(-30, 1):
                shown.at(n, 25.2)
            assert shown.first(celsius, 60, begin=1) == seen


@pytest.mark.parametrize(
    ("sure", "celsius", "seen"), [(25.0, 24.94, 20), (25.0, 24.96, None), (None, 24.9, None)]
)
def test_the_mean_of_a_quarter_of_an_hour_need_be_half_as_far_below(
    sure: float | None, celsius: float, seen: int | None
) -> None:
    """Three values of five minutes; where it is not sure when the heater comes on, they say nothing."""
    shown = Shown()
    shown.facts |= {"slope": -0.4, "cooling_rate": -0.6, "floor": 25.0, "comes_on": sure}
    for n in range(-30, 1):
        shown.at(n, 25.2, fifth=n % 5 == 4)
    assert next((n for n in range(1, 60) if shown.at(n, celsius, fifth=n % 5 == 4)), None) == seen
    late = Shown()
    late.facts |= shown.facts
    for n in range(-30, 51):
        late.at(n, 25.2, fifth=n % 5 == 4)
    first = next((n for n in range(51, 90) if late.at(n, celsius, fifth=n % 5 == 4)), None)
    assert first == (64 if seen is not None else None)  # the third value below


@pytest.mark.parametrize(("before", "seen"), [(-12, 20), (-16, None)])
def test_what_the_water_had_as_the_lamp_went_is_of_before_it(before: int, seen: int | None) -> None:
    """A report in five minutes: two of them have passed before the dark is believed; 14 minutes count."""
    shown = Shown()
    shown.facts |= {"slope": -0.4, "cooling_rate": -0.6, "floor": 25.0}
    shown.at(before, 24.8, fifth=True)
    shown.detector.last_frame_ms = BEGAN
    for n in range(9, 20):
        shown.at(n, 24.65)
    assert shown.first(24.55, 60, begin=20) == seen


@pytest.mark.parametrize("hands", [True, False])
def test_hands_at_the_tank_are_no_cut(hands: bool) -> None:
    """Cold water is poured in under a lamp that is out: what falls is no heat that went."""
    shown = Shown()
    shown.facts |= {"slope": -0.4, "cooling_rate": -0.6, "floor": 25.0, "disturbed": hands}
    for n in range(-30, 1):
        shown.at(n, 24.7, 50.0 if n < -20 else 0.0)
    assert (shown.first(24.3, 60, 0.0, begin=1) is None) is hands


@pytest.mark.parametrize(("hours", "told"), [(23.0, False), (25.0, True)])
def test_a_lamp_that_was_missed_lately_goes_with_nothing(hours: float, told: bool) -> None:
    """It is dead, the sun has shone on the meter and has gone behind a house; the heater rests."""
    shown = Shown()
    shown.facts |= {"slope": -0.4, "cooling_rate": -0.6, "floor": 25.0}
    shown.active = {"light-missing"}
    shown.at(-60 * hours, 24.7)
    shown.active = set()
    for n in range(-30, 1):
        shown.at(n, 24.7)
    assert (shown.first(24.3, 60, begin=1) is not None) is told


@pytest.mark.parametrize("relit", [True, False])
def test_a_second_cut_of_the_day_is_told_like_the_first(relit: bool) -> None:
    """The lamp was missed and has come back, as only a lamp does: it is not dead, and may go again."""
    shown = Shown()
    shown.facts |= {"slope": -0.4, "cooling_rate": -0.6, "floor": 25.0}
    shown.active = {"light-missing"}
    shown.at(-300, 24.7)
    shown.edge = int(relit)
    shown.at(-299, 24.7)
    shown.edge = 0
    shown.at(-298, 24.7)  # the alarm takes a while to end
    shown.active = set()
    for n in range(-30, 1):
        shown.at(n, 24.7)
    assert (shown.first(24.3, 60, begin=1) is not None) is relit


def test_the_cut_s_own_missing_lamp_does_not_hide_it() -> None:
    shown = Shown()
    shown.facts |= {"slope": -0.4, "cooling_rate": -0.6, "floor": 24.0}
    for n in range(60):
        shown.active = {"light-missing"} if n > 43 else set()
        assert not shown.at(n, 24.7)
    shown.facts["floor"] = 25.0
    assert shown.first(24.3, 80, begin=60) == 60


class Turned:
    """Water that began to cool just as the lamp went."""

    course = Window(1)

    def add(self, *_: object) -> None:
        pass

    def with_lamp(self, lamp_ms: int, _: float) -> Turn:
        return Turn(lamp_ms, 24.8, 0.3, -0.5)


@pytest.mark.parametrize(("hours", "seen"), [(23.9, True), (24.1, False)])
def test_a_lamp_that_was_out_the_day_before_has_its_own_fault(hours: float, seen: bool) -> None:
    shown = Shown()
    shown.at(-hours * 60, 24.8)
    shown.detector.turns = Turned()  # type: ignore[assignment]
    assert shown.at(30, 24.75, fifth=True) is seen


# -- over -------------------------------------------------------------------------------------------


def test_over_when_the_lamp_has_been_lit_for_a_while() -> None:
    shown = Shown()
    assert silent_plug(0) == 9
    for n in range(-60, 1):
        shown.at(n, 24.7, 50.0)
    assert shown.first(24.7, 60, None, begin=1) == 9
    shown.lamp_back = True
    stands = [n for n in range(60, 120) if shown.at(n, 24.7)]
    assert stands == list(range(60, 79))


@pytest.mark.parametrize(
    ("slope", "watts", "over"), [(0.04, None, False), (0.06, None, True), (0, 2.9, False), (0, 3.1, True)]
)
def test_over_at_night_when_the_water_warms_or_the_heater_draws(
    slope: float, watts: float | None, over: bool
) -> None:
    detector = PowerDetector(standing=True)
    for n in range(20):
        start = BEGAN + n * MINUTE
        moment = Moment(
            Frame(start, start + MINUTE, 24.4, None, None, None, watts, {}), 0, 100.0, False, set()
        )
        moment.heat.floor, moment.heat.slope, moment.lamp.should_be_on = FLOOR, slope, False
        found = detector.update(TANK, moment)
        assert found or n == 19
    assert bool(found) is not over


# -- silence ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("every_s", "limit_min"), [(60, 20), (600, 120)])
def test_silence_is_twenty_minutes_or_twelve_reports(every_s: int, limit_min: int) -> None:
    tank, silence = tank_of(every_s), SilenceDetector(last_ms=BEGAN)
    assert silence.finding(tank, BEGAN + limit_min * MINUTE - 1000) is None
    assert silence.finding(tank, BEGAN + limit_min * MINUTE + 1000) is not None


@pytest.mark.parametrize(("every_s", "grace_s"), [(10, 60), (60, 120)])
def test_after_a_start_a_minute_or_two_reports_are_waited_for(every_s: int, grace_s: int) -> None:
    tank, silence = tank_of(every_s), SilenceDetector(last_ms=BEGAN - 24 * 60 * MINUTE)
    silence.await_report(tank, BEGAN)
    assert silence.deadline_ms(tank) == BEGAN + grace_s * 1000
