"""Stray current: what comes and goes by steps is electrical, and stands until a day without them.

Courses are made up, common practice, no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from rushlight.analysis.detectors.frames import Frame, SeriesFrame, follow
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.probes.detector import ProbeDetector
from rushlight.analysis.detectors.stray_current.cause import follows, lately
from rushlight.analysis.detectors.stray_current.detector import StrayCurrentDetector
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.collector.settings import parse_settings

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


class Bench:
    """A report each minute; `stands` has the minutes of stray current, `faults` those of a probe's fault."""

    def __init__(self, seed: int = 1) -> None:
        self.tank = Tank("shelf", parse_settings(SETTINGS).tanks["shelf"])
        self.probes = ProbeDetector()
        self.stray = StrayCurrentDetector()
        self.sensors: dict[str, Sensor] = {}
        self.minute = 0
        self.stands: list[int] = []
        self.faults: list[int] = []
        self.chance = random.Random(seed)
        self.said: list[str] = []

    def run(
        self,
        minutes: int,
        offset: Callable[[int], float],
        noise: float = 0.01,
        lamp: Callable[[int], bool] | None = None,
        watts: Callable[[int], float] | None = None,
        every: int = 1,
        step: float = 0.01,
    ) -> Bench:
        """`offset` on pH 7, `lamp` and `watts` by the minute since the beginning; a report each `every`."""
        for at in range(self.minute, self.minute + minutes, every):
            ph = round(round((7.0 + offset(at) + self.chance.gauss(0, noise)) / step) * step, 2)
            heat = None if watts is None else watts(at)
            series = {"ph": SeriesFrame(1, 0, 0, ph, ph, None, BEGAN + at * MINUTE, BEGAN + at * MINUTE)}
            frame = Frame(BEGAN + at * MINUTE, BEGAN + (at + 1) * MINUTE, 24.0, None, ph, None, heat, series)
            moment = Moment(frame, at // DAY, float(at % DAY), every > 1 or at % 5 == 4, set())
            moment.sensors = follow(self.sensors, frame)
            self.stray.recall(moment)
            if self.probes.update(self.tank, moment):
                self.faults.append(at)
            if lamp is not None and at and lamp(at) != lamp(at - every):
                moment.lamp.edge, moment.lamp.edge_ms = (1 if lamp(at) else -1), frame.start_ms
            for finding in self.stray.update(self.tank, moment):
                self.stands.append(at)
                self.said = finding.observations
        self.minute += minutes
        return self


def heating(at: int) -> bool:
    """A thermostat: 50 minutes on in every three hours."""
    return at % 180 < 50


def lit(at: int) -> bool:
    """Ten to eight."""
    return 10 * HOUR <= at % DAY < 20 * HOUR


def test_three_large_steps_of_one_size_are_enough() -> None:
    """Away, back, away by 0.4, each for the better part of an hour: nothing in water does so."""
    bench = Bench().run(180 * 5, lambda at: 0.0).run(6 * HOUR, lambda at: 0.4 * heating(at))
    assert bench.stands and bench.stands[0] <= 180 * 5 + 180 + 15
    assert "pH steps of about 0.4" in bench.said[0] and bench.said[1].endswith("a mains device")
    assert not bench.faults


def test_it_stands_between_the_steps_and_until_a_day_without() -> None:
    bench = Bench().run(DAY, lambda at: 0.4 * heating(at))
    first = bench.stands[0]
    bench.run(3 * DAY, lambda at: 0.0)
    assert bench.stands == list(range(first, bench.stands[-1] + 1))
    assert DAY + 27 * HOUR < bench.stands[-1] < DAY + 31 * HOUR


def test_a_metered_heater_and_a_lamp_are_called_by_their_names() -> None:
    heater = Bench().run(DAY, lambda at: -0.1 * heating(at), watts=lambda at: 100.0 * heating(at))
    assert heater.said[1] == "they come and go with the heater"
    lamp = Bench().run(2 * DAY, lambda at: 0.2 * lit(at), lamp=lit)
    assert lamp.said[1] == "they come and go with the lamp"


def test_small_steps_at_the_same_times_of_two_days_are_electrical() -> None:
    """A timer that nothing here knows of: on at ten, off at eight."""
    bench = Bench().run(10 * HOUR - 5, lambda at: 0.0).run(DAY + HOUR, lambda at: 0.15 * lit(at), noise=0.005)
    assert bench.stands and bench.stands[0] <= 34 * HOUR + 15


def test_the_flutter_of_a_leaking_lamp_is_not_the_electrodes() -> None:
    """With the current comes a flutter; it goes when the lamp goes, so the probe is not blamed."""
    bench = Bench().run(10 * HOUR, lambda at: 0.0, lamp=lit)
    for _ in range(2):
        bench.run(10 * HOUR, lambda at: 0.4 * lit(at), noise=0.04, lamp=lit)
        bench.run(14 * HOUR, lambda at: 0.4 * lit(at), lamp=lit)
    assert bench.stands
    assert not bench.faults
    assert bench.run(2 * DAY, lambda at: 0.0, noise=0.2).faults  # it goes on without the lamp


def buffers(at: int) -> float:
    """Rinsed, pH 6.98, pH 4.02, and back, seven minutes each."""
    return 0.6 if not 600 <= at < 614 else (-0.02 if at < 607 else -2.98)


def cleaned(at: int) -> float:
    """The electrode out for ten minutes, twice in one afternoon, at what the air makes of it."""
    return 0.5 if 600 <= at < 610 else (0.9 if 700 <= at < 710 else 0.0)


def surge(at: int) -> float:
    return -min(1.0, max(0, at - 600) / 40)


@pytest.mark.parametrize("course", [buffers, cleaned, surge, lambda at: 0.5 if at >= 600 else 0.0])
def test_what_people_and_gas_do_is_no_current(course: Callable[[int], float]) -> None:
    assert not Bench().run(2 * DAY, course).stands
    assert Bench().run(2 * DAY, lambda at: course(at) + 0.4 * heating(at)).stands


@pytest.mark.parametrize("seed", range(6))
def test_a_noisy_electrode_is_no_current(seed: int) -> None:
    """A person who is told of a shock that isn't there will not believe the next one."""
    bench = Bench(seed).run(DAY, lambda at: 0.0).run(DAY, lambda at: 0.0, noise=0.05 + 0.1 * seed)
    assert not bench.stands
    assert bench.faults
    bench.run(DAY, lambda at: 6.0 * heating(at), noise=0.05 + 0.1 * seed)  # nothing smaller stands out of it
    assert bench.stands


def gassed(at: int) -> float:
    """Gas with the lamp: pH falls by 0.6 within two hours, and comes back within four."""
    minute = at % DAY
    if 10 * HOUR <= minute < 20 * HOUR:
        return -0.6 * (1 - math.exp(-(minute - 10 * HOUR) / 50))
    return -0.6 * math.exp(-((minute - 20 * HOUR) % DAY) / 100)


def test_a_coarse_electrode_makes_no_current() -> None:
    """Steps of 0.1, gas with the lamp: pH moves by one of them at times. Real steps beside it are seen."""
    calm = Bench().run(6 * DAY, gassed, lamp=lit, step=0.1, noise=0.03)
    assert not calm.stands
    assert Bench().run(3 * DAY, lambda at: gassed(at) + 0.4 * heating(at), lamp=lit, step=0.1).stands


def test_reports_each_five_minutes_are_enough() -> None:
    calm = Bench().run(6 * DAY, gassed, lamp=lit, every=5)
    assert not calm.stands
    lamp = Bench().run(4 * DAY, lambda at: gassed(at) + 0.3 * lit(at), lamp=lit, every=5)
    assert lamp.stands and "the lamp" in lamp.said[1]


def test_steps_both_ways_beside_the_lamp_are_not_the_lamps() -> None:
    """Their median is nothing. All one way, they are."""
    switches, now = [BEGAN, BEGAN + 8 * HOUR * MINUTE], BEGAN + 20 * HOUR * MINUTE
    recent = lately(switches, now, 30 * HOUR * MINUTE)
    assert follows(switches, [0.2, 0.2], switches, [1, -1], recent) == 0
    assert follows(switches, [0.2, -0.2], switches, [1, -1], recent) == 2
