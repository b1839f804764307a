"""Probe faults, on readings as they would come: through the quality flags and the frames.

Courses are made up, common practice, no source, unless a test names one.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable

import numpy as np
import pytest

from rushlight.analysis.detectors.frames import FrameBuilder, follow
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.probes.detector import ProbeDetector
from rushlight.analysis.estimators.jitter import Jitter
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.findings import Finding
from rushlight.collector.intake.quality import QualityChecker
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings
from rushlight.collector.units import shown

MINUTE = 60_000
HOUR = 60
DAY = 1440
BEGAN = 1_772_323_200_000  # 2026-03-01T00:00Z

SETTINGS = """
[tanks.shelf]
volume_litres = 60
timezone = "UTC"
[tanks.shelf.livestock]
temperature_low_c = 18.0
temperature_high_c = 30.0
co2_limit_mg_l = 30.0
"""
Course = Callable[[int], float | None]


class Bench:
    """One tank, a report each minute; `told` has (minute, quantity, cause) of each fault's beginning."""

    def __init__(self) -> None:
        self.tank = Tank("shelf", parse_settings(SETTINGS).tanks["shelf"])
        self.quality = QualityChecker()
        self.frames = FrameBuilder()
        self.sensors: dict[str, Sensor] = {}
        self.probes = ProbeDetector()
        self.minute = 0
        self.told: list[tuple[int, str, str]] = []
        self.doubted: dict[str, list[int]] = {}
        self.findings: list[Finding] = []

    def run(self, minutes: int, **courses: Course) -> Bench:
        """`courses` give a value at the minutes from now on; None is a reading that failed."""
        begin = self.minute
        for at in range(minutes):
            self.minute = begin + at
            frame = None
            for quantity, course in courses.items():
                reading = Reading("shelf", quantity, BEGAN + self.minute * MINUTE, course(at))
                self.quality.flag(reading)
                frame = self.frames.feed(reading) or frame
            if frame is None:
                continue
            day, minute = self.tank.clock.local(frame.start_ms)
            moment = Moment(frame, day, minute, self.minute % 5 == 4, set())
            before = {(f.quantity, f.cause) for f in self.findings}
            moment.sensors = follow(self.sensors, frame)
            self.findings = self.probes.update(self.tank, moment)
            for quantity in moment.probes.faulty:
                self.doubted.setdefault(quantity, []).append(self.minute)
            for finding in self.findings:
                if (finding.quantity, finding.cause) not in before:
                    self.told.append((self.minute, finding.quantity, finding.cause))
        self.minute = begin + minutes
        return self


def jitter(level: float, sigma: float, digits: int = 2, seed: int = 1) -> Course:
    chance = random.Random(seed)
    return lambda at: round(level + chance.gauss(0, sigma), digits)


def thermometer(level: float, seed: int = 1) -> Course:
    """A DS18B20's steps of 1/16 °C (12 bit; data sheet, from memory) and a little noise."""
    chance = random.Random(seed)
    return lambda at: round((level + chance.gauss(0, 0.02)) * 16) / 16


# -- stuck


def test_freezing_water_holds_its_temperature() -> None:
    """Water and ice together stay at 0 °C, the ice point, for as long as both are there."""
    assert not Bench().run(30 * HOUR, temperature=lambda at: 0.0).told
    assert not Bench().run(30 * HOUR, temperature=lambda at: -0.0625).told
    (fault,) = Bench().run(30 * HOUR, temperature=lambda at: 4.06).told
    assert fault[1:] == (
        "temperature",
        "the probe or its converter has frozen: real water is never that still",
    )


def still_nights(hours: int) -> Course:
    """A probe that shows half degrees: it stands still each night for so long, and moves by day."""
    return lambda at: 22.0 if at % DAY < hours * HOUR else 22.5 + 0.5 * (at // 20 % 3)


@pytest.mark.parametrize(
    ("night", "still", "fault"), [(5, 12, False), (5, 19, True), (1, 4, True), (1, 2, False)]
)
def test_a_probe_is_stuck_by_its_own_stillness(night: int, still: int, fault: bool) -> None:
    """Three times its longest: who rests five hours a night may rest twelve, who rests one not four."""
    bench = Bench().run(3 * DAY, temperature=still_nights(night))
    assert not bench.told
    bench.run(still * HOUR, temperature=lambda at: 23.0)
    assert bool(bench.told) is fault
    assert bench.run((19 - still) * HOUR, temperature=lambda at: 23.0).told


def test_a_stuck_probe_is_believed_again_when_it_moves() -> None:
    bench = Bench().run(10 * HOUR, ph=lambda at: 6.83)
    assert bench.findings
    bench.run(30, ph=jitter(6.9, 0.01))
    assert not bench.findings


def steps_of(step: float, course: Course) -> Course:
    def seen(at: int) -> float | None:
        value = course(at)
        return None if value is None else round(round(value / step) * step, 4)

    return seen


def tank_water(at: int) -> float:
    """pH falls by 0.5 while the gas is on, twelve hours, and rests at night."""
    hour = at % DAY / HOUR
    return 7.04 - (
        0.5 * min(1.0, (hour - 8) / 3)
        if 8 <= hour < 20
        else 0.5 * max(0.0, 1 - (hour - 20) / 3) * (hour >= 20)
    )


@pytest.mark.parametrize("step", [0.1, 0.05])
def test_a_coarse_electrode_at_rest_over_midnight_is_not_stuck(step: float) -> None:
    """Night after night it gives one value for hours. Frozen for days, it is stuck."""
    bench = Bench().run(9 * DAY, ph=steps_of(step, tank_water))
    assert not bench.told
    bench.run(3 * DAY, ph=lambda at: 6.6)
    assert [quantity for _, quantity, _ in bench.told] == ["ph"]


@pytest.mark.parametrize(("days", "stuck"), [(15.5, False), (16.5, True)])
def test_half_degrees_may_rest_for_weeks_in_water_that_a_heater_holds(days: float, stuck: bool) -> None:
    """It has moved once, and then a heater holds the water within one of its steps."""
    bench = Bench().run(HOUR, temperature=lambda at: 24.5).run(round(days * DAY), temperature=lambda at: 24.0)
    assert bool(bench.told) is stuck
    limit = "real water moves such a probe within 16 days"
    assert [limit in finding.observations for finding in bench.findings] == [True] * stuck


def test_a_flicker_of_what_stands_still_is_no_dead_probe() -> None:
    """Set aside as a flat line after 32 days; once in two weeks one reading is a step off."""
    held = Bench().run(HOUR, temperature=lambda at: 24.5)
    held.run(40 * DAY, temperature=lambda at: 24.5 if at % (20 * DAY) == 600 else 24.0)
    assert held.told and all("frozen" in cause for _, _, cause in held.told)
    gone = Bench().run(HOUR, temperature=lambda at: 24.5).run(HOUR, temperature=lambda at: 85.0)
    assert [cause for _, _, cause in gone.told if "damaged" in cause]


def test_a_coarse_thermometer_in_heated_water_is_not_stuck() -> None:
    """Steps of half a degree, water within a quarter of one: it moves twice a day. Frozen, it is stuck."""
    course = steps_of(0.5, lambda at: 24.0 + 0.3 * math.sin(at * 2 * math.pi / DAY))
    bench = Bench().run(9 * DAY, temperature=course)
    assert not bench.told
    bench.run(5 * DAY, temperature=lambda at: 24.0)
    assert [quantity for _, quantity, _ in bench.told] == ["temperature"]


def test_a_rest_that_ends_by_one_step_teaches_and_one_that_leaps_does_not() -> None:
    for after, again in ((6.84, False), (7.4, True)):
        bench = Bench().run(2 * HOUR, ph=jitter(6.83, 0.01)).run(5 * HOUR, ph=lambda at: 6.83)
        assert len(bench.told) == 1
        rests = bench.probes.health["ph"].rests
        before = rests.today_min
        bench.run(1, ph=lambda at, after=after: after).run(1, ph=lambda at, after=after: after)  # type: ignore[misc]
        assert (rests.today_min > before) is not again


def test_the_same_value_before_and_after_a_gap_is_no_rest() -> None:
    bench = Bench().run(3 * HOUR, ph=lambda at: 6.83)
    bench.minute += 10 * HOUR
    bench.run(3 * HOUR, ph=lambda at: 6.83)
    assert not bench.told
    assert bench.run(2 * HOUR, ph=lambda at: 6.83).told


# -- restless


def test_a_level_between_two_steps_flickers_and_is_no_fault() -> None:
    chance = random.Random(5)
    bench = Bench().run(2 * DAY, ph=steps_of(0.1, lambda at: 6.85 + chance.gauss(0, 0.05)))
    assert not bench.told
    assert bench.run(3 * HOUR, ph=steps_of(0.1, lambda at: 6.85 + chance.gauss(0, 0.6))).told


def test_figures_of_a_thermometer_carry_their_unit() -> None:
    """A figure without it would stay in Celsius beside others in Fahrenheit."""
    bench = Bench().run(DAY, temperature=jitter(24, 0.03))
    bench.run(3 * HOUR, temperature=jitter(24, 0.8, seed=2))
    said = shown(bench.findings[0].observations[1], "us")
    assert re.fullmatch(r".* jumps by \d\.\d+ °F, by 0\.0\d °F is usual", said), said
    leapt = Bench().run(DAY, temperature=jitter(24, 0.01)).run(HOUR, temperature=jitter(38, 0.01))
    said = shown(leapt.findings[0].observations[1], "us")
    assert said.startswith("it leapt from 75.") and " °F and" in said, said


def test_an_electrode_in_air_is_told_and_doubted_before() -> None:
    """No buffer and no mass behind it: it wanders and jitters, at the level where it was."""
    bench = Bench().run(DAY, ph=jitter(6.8, 0.02))
    chance, level = random.Random(3), [6.8]

    def in_air(at: int) -> float:
        level[0] += chance.gauss(0, 0.02)
        return round(level[0] + chance.gauss(0, 0.06), 2)

    bench.run(3 * DAY, ph=in_air)  # and it never gets used to it
    ((minute, quantity, cause),) = bench.told
    assert quantity == "ph" and "in air" in cause
    assert DAY < minute <= DAY + 2 * HOUR + 4  # asked every five minutes
    assert min(bench.doubted["ph"]) <= DAY + 90
    said = bench.findings[0].observations
    assert said[1].startswith("from minute to minute it jumps by 0.0") and "by 0.02 is usual" in said[1]
    # back in the water
    bench.run(3 * HOUR, ph=jitter(6.8, 0.02, seed=4))
    assert not bench.findings


@pytest.mark.parametrize("sigma", [0.02, 0.04, 0.06])
def test_an_electrode_that_jumps_by_nature_is_believed_until_it_is_unlike_itself(sigma: float) -> None:
    """From its first minute, and slowly up and down beside; five minutes of it still give CO2 to a tenth."""
    noise, slow = jitter(0.0, sigma), random.Random(9)
    level = [0.0]

    def cheap(at: int) -> float:
        level[0] += slow.gauss(0, 0.003) - level[0] / 180
        return round(7.0 + level[0] + (noise(at) or 0.0), 2)

    bench = Bench().run(4 * DAY, ph=cheap)
    assert not bench.told and "ph" not in bench.doubted
    wet = jitter(7.0, 3 * sigma, seed=7)
    bench.run(2 * HOUR, ph=wet)
    assert [quantity for _, quantity, _ in bench.told] == ["ph"]


@pytest.mark.parametrize("sigma", [0.12, 0.3, 1.0])
def test_an_electrode_that_is_broken_from_the_first_minute_is_told(sigma: float) -> None:
    """0.093 pH and more from minute to minute: no five minutes of it give CO2 to a tenth."""
    bench = Bench().run(2 * HOUR, ph=jitter(7.0, sigma))
    ((minute, quantity, cause),) = bench.told
    assert quantity == "ph" and "wet connector" in cause and minute <= 75
    assert min(bench.doubted["ph"]) <= 45
    calm = Bench().run(DAY, ph=jitter(7.0, 0.06))
    assert not calm.told and "ph" not in calm.doubted


def test_where_a_new_electrodes_jitter_begins_to_hide_gas() -> None:
    """Five readings whose mean is good to lg 1.1 have √5 of that each; second differences √6 of that.

    The mean of the calmer two thirds of a normal variable's sizes is 0.447 of its standard deviation.
    """
    sizes = np.sort(np.abs(np.random.default_rng(1).normal(0, 1, 30000)))[:20000]
    expected = math.log10(1.1) * math.sqrt(5) * math.sqrt(6) * float(np.mean(sizes))
    assert Jitter().limit("ph") == pytest.approx(expected, rel=0.03)
    assert Jitter().limit("temperature") == pytest.approx(0.2)
    assert Jitter(step=0.1).limit("ph") == pytest.approx(0.32)  # a coarse one flickers further


@pytest.mark.parametrize("per_hour", [0.3, 1.0, 3.0, 12.0])
def test_a_surge_of_gas_is_no_fault_of_the_electrode(per_hour: float) -> None:
    """However fast it falls, it goes on as it did: 12 pH an hour is more than any cylinder does."""
    bench = Bench().run(DAY, ph=jitter(7.2, 0.02))
    noise = jitter(0.0, 0.02, seed=5)
    bench.run(30, ph=lambda at: max(5.6, 7.2 - per_hour * at / 60) + (noise(at) or 0.0))
    bench.run(5 * HOUR, ph=lambda at: max(5.6, 7.2 - per_hour * 0.5) + (noise(at) or 0.0))
    assert not bench.told
    assert "ph" not in bench.doubted
    wet = jitter(0.0, 0.15, seed=6)
    bench.run(2 * HOUR, ph=lambda at: max(5.6, 7.2 - per_hour * 0.5) + (wet(at) or 0.0))
    assert bench.told and "ph" in bench.doubted


@pytest.mark.parametrize("level", [6.6, 7.6, 7.85, 8.3])
def test_a_calibration_in_two_buffers_is_no_fault(level: float) -> None:
    """Rinsed, a quarter of an hour in pH 6.98 and 4.02, rinsed, back; the room is watched meanwhile."""
    bench = Bench().run(DAY, ph=jitter(level, 0.02))
    bench.run(7, ph=jitter(6.98, 0.01)).run(8, ph=jitter(4.02, 0.01))
    bench.run(3 * HOUR, ph=jitter(level + 0.05, 0.02))
    assert not bench.told
    # and not put back into the water
    bench.run(7, ph=jitter(6.98, 0.01)).run(8, ph=jitter(4.02, 0.01)).run(3 * HOUR, ph=jitter(level, 0.15))
    assert [quantity for _, quantity, _ in bench.told] == ["ph"]


def test_probes_bared_by_a_water_change_are_no_fault() -> None:
    """Seventeen minutes in air while the water is low, then colder, softer water."""
    bench = Bench().run(DAY, ph=jitter(7.6, 0.005), temperature=thermometer(25.0))
    bench.run(
        17,
        ph=jitter(7.7, 0.1),
        temperature=lambda at: round((20 + 5 * math.exp(-(at + 1) / 3)) * 16) / 16,
    )
    bench.run(3 * HOUR, ph=jitter(7.3, 0.005), temperature=thermometer(23.8))
    assert not bench.told
    # and left there
    bench.run(
        3 * HOUR, ph=jitter(7.7, 0.1), temperature=lambda at: round((16 + 8 * math.exp(-at / 3)) * 16) / 16
    )
    assert {quantity for _, quantity, _ in bench.told} == {"ph", "temperature"}


def test_a_thermometer_between_two_of_its_steps_is_no_noise() -> None:
    bench = Bench().run(DAY, temperature=thermometer(25.0))
    bench.run(6 * HOUR, temperature=thermometer(25.03125, seed=2))
    assert not bench.told
    bench.run(2 * HOUR, temperature=jitter(25.0, 0.3, 4))
    assert bench.told


def test_a_wet_connector_of_the_thermometer_is_told() -> None:
    bench = Bench().run(DAY, temperature=thermometer(25.0))
    bench.run(2 * HOUR, temperature=jitter(25.0, 0.3, 4))
    ((minute, quantity, cause),) = bench.told
    assert quantity == "temperature" and "wet connector" in cause and minute <= DAY + 90


@pytest.mark.parametrize("quantity", ["temperature", "ph", "light", "room_temperature"])
def test_a_loose_contact_is_told_and_a_lost_reading_is_not(quantity: str) -> None:
    value = {"light": 4000.0, "ph": 7.0}.get(quantity, 22.0)
    noise = jitter(value, value / 1000, 3)
    bench = Bench().run(DAY, **{quantity: lambda at: None if at % 300 == 7 else noise(at)})
    assert not bench.told
    bench.run(2 * HOUR, **{quantity: lambda at: None if at % 5 == 2 else noise(at)})
    ((minute, told, cause),) = bench.told
    assert told == quantity and "loose contact" in cause and minute <= DAY + 2 * HOUR
    assert "of the last 90 frames" in bench.findings[0].observations[1]


# -- impossible, and what only looks so


def test_water_that_walks_past_what_a_tank_should_be_is_no_fault_of_the_electrode() -> None:
    bench = Bench().run(HOUR, ph=jitter(8.4, 0.01))
    bench.run(
        30 * HOUR, ph=lambda at: round(8.4 + 0.1 * at / 60, 2) if at % 2 else round(8.41 + 0.1 * at / 60, 2)
    )
    assert not bench.told
    bench.run(30, ph=lambda at: 14.5)  # no water walks there
    assert bench.told and "can't be in a tank" in bench.told[0][2]


def test_a_value_that_leaps_there_is() -> None:
    bench = Bench().run(HOUR, ph=jitter(8.4, 0.01)).run(30, ph=lambda at: 14.0)
    ((minute, quantity, cause),) = bench.told
    assert quantity == "ph" and "can't be in a tank" in cause and minute <= HOUR + 22
    assert bench.findings[0].observations[0] == "the probe gives 14"


@pytest.mark.parametrize("share", [1, 20])
def test_a_light_meter_at_its_full_scale_is_not_believed(share: int) -> None:
    """65535: sixteen bits, all ones. A flash of it is no fault."""
    bench = Bench().run(DAY, light=lambda at: 65535.0 if at % 400 == 9 else 5000.0 + at % 7)
    assert not bench.told
    bench.run(2 * HOUR, light=lambda at: 5000.0 + at % 7 if share > 1 and at % share == 0 else 65535.0)
    assert bench.told[0][1] == "light" and bench.told[0][0] <= DAY + 100


def test_the_sun_may_bring_a_light_meter_to_its_end_for_hours() -> None:
    """54612 lx: 65535 counts at 1.2 counts a lux (BH1750 data sheet, from memory). For a day it is broken."""

    def sunny(at: int) -> float:
        return 54612.0 if 700 <= at % DAY < 880 else 5000.0 + at % 7

    bench = Bench().run(3 * DAY, light=sunny)
    assert not bench.told
    bench.run(6 * HOUR, light=lambda at: 54612.5)
    assert bench.told and bench.told[0][1] == "light" and bench.told[0][0] <= 3 * DAY + 5 * HOUR


def sunny(length: int, lamp: float = 5000.0, end: float = 54612.0, dawn: float = 90.0) -> Course:
    """Sun that comes up within `dawn` minutes, has the meter at its end for `length` minutes, and goes."""

    def lux(at: int) -> float:
        near = abs(at % DAY - 720) - length / 2
        return end if near <= 0 else max(lamp + at % 7, end * (1 - near / dawn) // 1)

    return lux


def test_all_day_sun_on_an_open_tub_is_no_fault_of_the_light_meter() -> None:
    """Ten hours a day: midsummer at 50 degrees of latitude has 16 hours of day. A cut cable stays there."""
    bench = Bench().run(3 * DAY, light=sunny(600))
    assert not bench.told
    bench.run(12 * HOUR, light=lambda at: 5000.0 + at % 7)
    bench.run(6 * HOUR, light=lambda at: 54612.5)  # from the lamp's light, at once
    bench.run(24 * HOUR, light=lambda at: 54612.5)
    ((minute, quantity, _),) = bench.told
    assert quantity == "light" and 3 * DAY + 12 * HOUR + 600 < minute <= 3 * DAY + 12 * HOUR + 780


def test_sun_that_comes_out_from_behind_a_house_is_usual_after_a_day() -> None:
    """From the shade at once into six hours of sun: the first of such days is told, no other."""
    bench = Bench().run(DAY, light=sunny(360, dawn=1.0))
    assert [minute for minute, _, _ in bench.told] == [pytest.approx(540 + 240, abs=5)]
    bench.run(4 * DAY, light=sunny(360, dawn=1.0))
    assert len(bench.told) == 1
    bench.run(10 * HOUR, light=lambda at: 54612.5)
    assert len(bench.told) == 2


@pytest.mark.parametrize("end", [40000.0, 83865.0])
def test_a_light_meter_shows_by_itself_where_it_ends(end: float) -> None:
    """Not all end at 54612 lx (83865: OPT3001 data sheet, from memory). A rest of each day is no fault."""
    bench = Bench().run(2 * DAY, light=sunny(150, end=end)).run(3 * DAY, light=sunny(300, end=end))
    assert not bench.told
    bench.run(30 * HOUR, light=lambda at: end)
    assert bench.told[0][1] == "light" and bench.told[0][0] <= 5 * DAY + 16 * HOUR + 5


def test_a_frozen_light_meter_has_not_shown_its_end_by_that() -> None:
    bench = Bench().run(DAY, light=lambda at: 40000.0 + 1000 * (at % 9))
    bench.run(26 * HOUR, light=lambda at: 48000.0)
    ((minute, _, cause),) = bench.told
    assert "frozen" in cause and minute <= DAY + 3 * HOUR + 5
    assert bench.probes.health["light"].end is not None and not bench.probes.health["light"].end.lux


# -- in air


def in_air(room: float) -> Course:
    """A thermometer lifted out of 25 °C water: three minutes' time constant."""
    return lambda at: round((room + (25 - room) * math.exp(-at / 3)) * 16) / 16


def cold_change(fall: float, per_hour: float) -> Course:
    """Colder water poured in within minutes, and warmed again by the heater."""
    noise = thermometer(0.0)
    return lambda at: 25 - fall + min(fall, per_hour * at / 60) + (noise(at) or 0.0)


@pytest.mark.parametrize(("course", "fault"), [(in_air(20.3), True), (cold_change(4.8, 0.8), False)])
def test_a_thermometer_in_air_where_the_room_is_not_measured(course: Course, fault: bool) -> None:
    bench = Bench().run(HOUR, temperature=thermometer(25.0)).run(3 * HOUR, temperature=course)
    assert [cause for _, _, cause in bench.told] == (
        ["the probe hangs in air: the water level has fallen or it was not put back"] if fault else []
    )
    bench.run(3 * HOUR, temperature=lambda at: round((14 + 8 * math.exp(-at / 3)) * 16) / 16)
    assert bench.told


@pytest.mark.parametrize(("before", "poured"), [(10.0, 15.0), (39.0, 34.0)])
def test_warmed_or_cooled_by_hand_without_heater_or_cooler_it_is_water(before: float, poured: float) -> None:
    """Warm water in a cold tank, cool water in a hot one: what the animals bear is 18 to 30 °C here."""

    def course(at: int) -> float:
        return round(16 * (before + (poured - before) * math.exp(-at / 720))) / 16

    bench = Bench().run(HOUR, temperature=thermometer(before)).run(DAY, temperature=course)
    assert not bench.told
    bench.run(6 * HOUR, temperature=thermometer(24.5))  # and hung into a room
    assert bench.told


@pytest.mark.parametrize(("room", "within"), [(31.0, 60), (20.0, 120)])
def test_no_water_change_leaps_up_so_that_is_told_sooner(room: float, within: int) -> None:
    bench = Bench().run(HOUR, temperature=thermometer(25.0)).run(3 * HOUR, temperature=in_air(room))
    ((minute, quantity, _),) = bench.told
    assert quantity == "temperature" and within - 20 <= minute - HOUR <= within


def test_a_thermometer_in_air_follows_the_room() -> None:
    """By a window the air is half a degree colder than at the room's own probe."""
    room = thermometer(21.0, seed=9)
    bench = Bench().run(HOUR, temperature=thermometer(25.0), room_temperature=room)
    bench.run(3 * HOUR, temperature=in_air(19.9), room_temperature=room)
    ((_, quantity, cause),) = bench.told
    assert quantity == "temperature" and "hangs in air" in cause
