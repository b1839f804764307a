"""pH out of its limits: what is expected, what is this tank's own, what is no alarm.

Courses are made up, common practice, no source. That hardness which runs out takes the pH along faster and
faster is the carbonate equilibrium: at one CO2, pH goes with the logarithm of the alkalinity (Stumm & Morgan,
Aquatic Chemistry, from memory).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import numpy as np
import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.findings import Finding
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
DAY = 1440
SETTINGS = """
[tanks.ledge]
volume_litres = 60
timezone = "UTC"
[tanks.ledge.water]
ph_low = 6.6
ph_high = 8.2
[tanks.ledge.livestock]
temperature_low_c = 18.0
temperature_high_c = 30.0
co2_limit_mg_l = 30.0
"""
GASSED = SETTINGS + '[tanks.ledge.co2]\nsource = "yeast"\n'


def usual(at: int) -> float:
    """Plants alone: 7.25 at dawn, 7.45 in the evening."""
    return 7.35 - 0.1 * math.cos(2 * math.pi * (at % DAY - 360) / DAY)


def said(
    curve: Callable[[int], float], minutes: int, settings: str = SETTINGS, alarm: str = "ph-out-of-range"
) -> list[tuple[int, Finding]]:
    """(minute, finding) of each raising of the alarm."""
    tank = Tank("ledge", parse_settings(settings).tanks["ledge"])
    detector = CarbonDioxideDetector()
    out: list[tuple[int, Finding]] = []
    active: set[str] = set()
    for at in range(minutes):
        frame = Frame(at * MINUTE, (at + 1) * MINUTE, 24.0, None, curve(at), None, None, {})
        moment = Moment(frame, at // DAY, float(at % DAY), at % 5 == 4, active)
        moment.heat.slope = 0.0
        found = {finding.alarm: finding for finding in detector.update(tank, moment)}
        one = found.get(alarm)
        if one is not None and not one.holding and alarm not in active:
            out.append((at, one))
        active = {alarm} if one is not None and (alarm in active or not one.holding) else set()
    return out


def first_past(curve: Callable[[int], float], minutes: int, high: float = 8.2) -> int:
    return next(at for at in range(minutes) if not 6.6 <= curve(at) <= high)


def test_ordinary_days_and_a_week_of_slightly_more_swing_are_nothing() -> None:
    assert said(usual, 6 * DAY) == []
    assert said(lambda at: usual(at) + 0.02 * (at // DAY), 8 * DAY) == []
    acid = 5 * DAY + 12 * 60
    assert said(lambda at: usual(at) - 0.3 * max(0, at - acid) / 60, 6 * DAY)
    assert said(lambda at: usual(at) + 0.02 * (at // DAY) + 0.2 * max(0, at - acid) / 60, 6 * DAY)


@pytest.mark.parametrize("per_hour", [0.12, 0.25])
@pytest.mark.parametrize("settings", [SETTINGS, GASSED])
def test_a_rise_to_where_the_tank_has_never_been_is_reported_before_the_limit(
    settings: str, per_hour: float
) -> None:
    """Where gas is given, that it is gone is the likelier cause."""
    begin = 4 * DAY + 8 * 60

    def curve(at: int) -> float:
        return usual(at) + per_hour * max(0, at - begin) / 60

    alarm = "ph-out-of-range" if settings is SETTINGS else "co2-absent"
    ((at, finding),) = said(curve, 5 * DAY, settings, alarm)
    assert begin < at < first_past(curve, 5 * DAY)
    assert finding.unit == "mg/L" or 7.6 < (finding.value or 0) <= 8.2


def test_a_fall_where_no_gas_is_given_is_reported_before_the_limit() -> None:
    """Acid, or the last of the hardness: with a gas source this would be for the CO2 judgement to say."""
    begin = 4 * DAY + 12 * 60

    def curve(at: int) -> float:
        return usual(at) - 0.3 * max(0, at - begin) / 60

    ((at, _),) = said(curve, 4 * DAY + 16 * 60)
    assert begin < at < first_past(curve, 5 * DAY)


def test_hardness_that_runs_out_is_reported_the_day_before_although_it_quickens() -> None:
    """The alkalinity falls by the same each day, the pH by its logarithm: 0.05, 0.06, ... 0.2 a day."""

    def curve(at: int) -> float:
        left = max(0.05, 1 - max(0.0, at / DAY - 4) / 7)
        return usual(at) + math.log10(left)

    at, finding = said(curve, 11 * DAY)[0]
    assert 5 * DAY < at < first_past(curve, 11 * DAY) - 6 * 60
    assert "hardness" in finding.cause


@pytest.mark.parametrize(("a_day", "day"), [(0.11, 8), (0.14, 7)])
def test_a_limit_two_days_ahead_is_reported_by_the_lowest_of_each_day(a_day: float, day: int) -> None:
    """Gas by day takes pH from 7.9 down to 7.25; both sink by the same, to a limit of 6.6."""

    def curve(at: int) -> float:
        lost = a_day * max(0, at // DAY - 3)
        return 7.575 - 0.325 * math.sin(2 * math.pi * (at % DAY - 480) / DAY) - lost

    at, finding = said(curve, 10 * DAY, GASSED)[0]
    assert at // DAY == day and curve(at) > 7.0
    assert 7.25 - a_day * (day - 4) - 6.6 < 2 * a_day < 7.25 - a_day * (day - 5) - 6.6
    assert finding.time_left_s is not None and 86_400 < finding.time_left_s <= 2 * 86_400
    assert not said(lambda at: curve(at % DAY), 10 * DAY, GASSED)


def test_more_lost_today_than_yesterday_counts() -> None:
    """0.05 one day, 0.15 the next, then 0.36 in a night: what the days before lost is not what is coming."""
    days, lost = (0, 4, 5, 6, 6.25, 9), (0.0, 0.0, 0.05, 0.2, 0.56, 0.6)

    def curve(at: int) -> float:
        return usual(at) - float(np.interp(at / DAY, days, lost))

    at, _ = said(curve, 8 * DAY)[0]
    assert 6 * DAY < at < 6.6 * DAY
    assert min(curve(at) for at in range(8 * DAY)) > 6.6


def test_a_rise_by_night_to_where_no_night_has_been_is_reported_before_the_limit() -> None:
    """Below what the water would have without gas, but gas is only given by day here."""
    settings = SETTINGS.replace("ph_high = 8.2", "ph_high = 8.0\ndegassed_ph = 8.3")
    settings += '[tanks.ledge.co2]\nsource = "cylinder"\non = "10:00"\noff = "18:00"\n'
    begin = 4 * DAY + 2 * 60

    def curve(at: int) -> float:
        hour = at % DAY / 60
        gassed = 1 - math.exp(-(hour - 10) / 1.5) if 10 <= hour < 18 else math.exp(-((hour - 18) % 24) / 3)
        return 7.6 - 0.7 * gassed + 0.2 * max(0, at - begin) / 60

    ((at, _),) = said(curve, 4 * DAY + 6 * 60, settings)
    assert begin < at < first_past(curve, 5 * DAY, 8.0)


def test_days_out_of_range_do_not_lock_the_alarm_up() -> None:
    """A tank just past the limits that somebody gave it is told of, and in the end learnt."""

    def curve(at: int) -> float:
        return usual(at) + (0.0 if at < 3 * DAY else 0.87)

    assert len(said(curve, 9 * DAY)) <= 3


@pytest.mark.parametrize("bared", [False, True])
@pytest.mark.parametrize("way", ["slowly", "at once"])
def test_a_water_change_makes_no_alarm_of_alkaline_water(bared: bool, way: str) -> None:
    """A quarter of it, 5 °C colder and harder; the thermometer may hang in the air meanwhile."""
    assert changed_water(bared, way, alkaline=False) == []
    assert "ph-out-of-range" in changed_water(bared, way, alkaline=True)


def changed_water(bared: bool, way: str, alkaline: bool) -> list[str]:
    """What is raised; `alkaline`: two hours after the change something makes the water so."""
    watch = TankWatch("ledge", parse_settings(SETTINGS.replace("8.2", "7.9")).tanks["ledge"])
    begin, length = 4 * DAY + 11 * 60, 12 if way == "slowly" else 4
    raised: list[str] = []
    chance = random.Random(5)
    for at in range(5 * DAY):
        done = min(1.0, max(0.0, (at - begin) / length)) * math.exp(-max(0, at - begin) / (10 * 60))
        celsius = 24.0 + 0.2 * math.sin(2 * math.pi * at / DAY) - 1.2 * done + chance.gauss(0, 0.03)
        if bared and begin - 8 <= at < begin + length:
            celsius = 17.0
        risen = 0.15 * max(0, at - begin - 120) / 60 if alkaline else 0.0
        time_ms = at * MINUTE + 20_000
        for quantity, value in (
            ("temperature", celsius),
            ("ph", usual(at) + 0.32 * done + risen + chance.gauss(0, 0.01)),
        ):
            events = watch.feed(Reading("ledge", quantity, time_ms, value, Flag.PASS))
            raised += [event.alarm for event in events if event.event == "raised"]
    return raised


def gassed_night(at: int) -> float:
    """A reactor's night and day: 6.5 before the lamp, 6.7 in the evening."""
    return 6.6 - 0.1 * math.cos(2 * math.pi * (at % DAY - 360) / DAY)


@pytest.mark.parametrize("minutes", [3, 12])
def test_harder_water_that_was_poured_in_is_no_missing_gas(minutes: int) -> None:
    """pH is lifted by 0.4 within minutes and stays: another KH. Gas that is missing leaves by the hour."""
    begin = 4 * DAY + 12 * 60
    noise = random.Random(3)

    def poured(at: int) -> float:
        return gassed_night(at) + 0.4 * min(1.0, max(0, at - begin) / minutes) + noise.gauss(0, 0.005)

    def missing(at: int) -> float:
        return gassed_night(at) + 0.6 * (1 - math.exp(-max(0, at - begin) / 240)) + noise.gauss(0, 0.005)

    assert not said(poured, begin + DAY, GASSED, "co2-absent")
    assert said(missing, begin + DAY, GASSED, "co2-absent")


# -- what moves the pH where gas is given -----------------------------------------------------------

FED = """
[tanks.ledge]
volume_litres = 60
timezone = "UTC"
[tanks.ledge.water]
carbonate_hardness_dkh = 6.0
ph_low = 6.3
ph_high = 7.5
[tanks.ledge.livestock]
temperature_low_c = 18.0
temperature_high_c = 30.0
co2_limit_mg_l = 30.0
[tanks.ledge.co2]
source = "yeast"
"""


def watched(
    curve: Callable[[int], float], minutes: int, details: list[str] | None = None
) -> list[tuple[int, str]]:
    """(minute, alarm) of all that a watch raises; `details` takes their words."""
    watch = TankWatch("ledge", parse_settings(FED).tanks["ledge"])
    chance, raised = random.Random(4), []
    for at in range(minutes):
        time_ms = at * MINUTE + 20_000
        for quantity, value in (("temperature", 24.0), ("ph", curve(at))):
            noise = chance.gauss(0, 0.01)
            events = watch.feed(Reading("ledge", quantity, time_ms, value + noise, Flag.PASS))
            events = [event for event in events if event.event == "raised"]
            raised += [(at, event.alarm) for event in events]
            if details is not None:
                details += [event.detail for event in events]
    return raised


def fed_day(at: int) -> float:
    """A reactor's night and day, near the limit of CO2 in the morning: pH 6.85 to 7.05."""
    return 6.95 - 0.1 * math.cos(2 * math.pi * (at % DAY - 360) / DAY)


def test_hardness_that_runs_out_is_said_beside_an_overdose() -> None:
    """One and a half times the gas, and then the hardness goes: the pH sinks on where gas would have stayed.

    CO2 of a new supply nears its level as 1 - exp(-k t), here with k = 0.5 an hour; at one CO2, pH goes with
    the logarithm of the alkalinity (as above).
    """
    begin = 4 * DAY

    def gas(at: int) -> float:
        return fed_day(at) - math.log10(1 + 0.8 * (1 - math.exp(-0.5 * max(0, at - begin) / 60)))

    def hardness(at: int) -> float:
        return gas(at) + math.log10(max(0.02, 1 - max(0, at - begin) / (2.2 * DAY)))

    assert {alarm for _, alarm in watched(gas, 6 * DAY)} == {"co2-overdose"}
    details: list[str] = []
    raised = watched(hardness, 6 * DAY, details)
    first = {alarm: at for at, alarm in reversed(raised)}
    assert set(first) == {"co2-overdose", "ph-out-of-range"}
    assert first["co2-overdose"] <= begin + 6 * 60  # what kills is said as early as ever
    past = next(at for at in range(begin, 6 * DAY) if hardness(at) < 6.3)
    assert first["ph-out-of-range"] < past - 2 * 60
    words = details[[alarm for _, alarm in raised].index("ph-out-of-range")]
    assert "hardness is running out" in words and "sinks on" in words and "test KH" in words


def test_a_rise_that_no_gas_makes_is_said_under_its_own_name() -> None:
    """0.3 pH an hour from 17 mg/L on; gas that leaves at 0.3 an hour makes 0.13 and comes to a rest."""
    begin = 4 * DAY + 2 * 60

    def alkaline(at: int) -> float:
        return fed_day(at) + 0.3 * min(4.0, max(0, at - begin) / 60)

    def gone(at: int) -> float:
        return fed_day(at) - math.log10(0.45 + 0.55 * math.exp(-0.3 * max(0, at - begin) / 60))

    details: list[str] = []
    first = watched(alkaline, 5 * DAY, details)[0]
    assert first[1] == "ph-out-of-range"
    assert "makes the water alkaline" in details[0] and "faster than gas leaves" in details[0]
    assert "probability of" in details[0]
    assert alkaline(first[0]) < 7.5
    assert {alarm for _, alarm in watched(gone, 5 * DAY)} == {"co2-absent"}
