"""Gas that rises for hours outside a tank's own days, just inside each rule and just outside.

The figures are common practice, no source; probabilities and quartiles are those of the normal distribution,
by Python's own `statistics`, and what a supply leads to is worked out here from dC/dt = k (m P - C).
"""

from __future__ import annotations

import math
import random
import statistics
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.day_courses import course_spread, level_spread
from rushlight.analysis.detectors.gas.overdose_words import RISES_ON, RUNS_WHEN_NEVER
from rushlight.analysis.detectors.gas.own_course import OwnCourse
from rushlight.analysis.estimators.daily import DailyProfile
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.physics.carbon_dioxide import Gas
from tests.analysis.detectors.gas.made_up_gas import told_and_over
from tests.analysis.detectors.gas.test_gas_limits import FED, MINUTE, TIMED, moment, tank_of
from tests.analysis.detectors.gas.test_surge import SETTINGS as WITH_HOURS

NORMAL = statistics.NormalDist()
SOIL = "[tanks.sill.water]\nactive_soil = true\n"
ALWAYS = FED + 'control = "always"\n'


def days(*kept: list[float]) -> DailyProfile:
    """A usual day of the days kept, each by half-hours."""
    profile = DailyProfile(centre="median")
    for index in range(48):
        profile.kept[index] = [day[index] for day in kept]
        profile.usual[index] = statistics.median(profile.kept[index])
        profile.days[index] = len(kept)
    return profile


# -- how alike its days are -------------------------------------------------------------------------


def test_days_that_differ_by_their_level_have_one_course() -> None:
    wave = [7.0 + 0.3 * math.sin(n / 48 * 2 * math.pi) for n in range(48)]
    assert course_spread(days(wave, [ph + 0.3 for ph in wave]), 4) == pytest.approx(0.0, abs=1e-9)
    assert course_spread(days(wave), 4) is None and course_spread(DailyProfile(centre="median"), 4) is None


def test_its_spread_is_a_standard_deviation() -> None:
    """Half-hours that wander by 0.05 each, two hours apart: 0.05 √2, for one day."""
    rng = random.Random(4)
    wild = days(*([rng.gauss(7.0, 0.05) for _ in range(48)] for _ in range(5)))
    assert course_spread(wild, 4) == pytest.approx(0.05 * math.sqrt(2), rel=0.12)


def test_an_electrode_that_wanders_needs_more_of_a_fall_and_of_a_departure() -> None:
    """What is beyond three and a half half-hours of it comes by chance in one of two weeks' looks."""
    curve = PhCurve()
    curve.extremes.lows = [7.0]
    assert curve.days.drifts == 0.0 and curve.unsteady == curve.scatter == 0.06
    alternate = [[7.0 + 0.1 * ((n // 4 + day) % 2) for n in range(48)] for day in range(5)]
    curve.profile = days(*alternate)
    curve.changed()
    course = 0.2 / NORMAL.inv_cdf(0.75) / math.sqrt(2)
    assert curve.days.course == pytest.approx(course, rel=1e-3)
    assert curve.days.long_course == pytest.approx(0, abs=1e-9)
    assert curve.unsteady == pytest.approx(math.hypot(0.06, course / math.sqrt(2)), rel=1e-3)
    curve.profile = days(*([7.0 + 0.1 * ((n + day) % 2) for n in range(48)] for day in range(5)))
    curve.changed()
    errors = curve.days.drifts / (2 * course)  # of half an hour each
    assert (1 - NORMAL.cdf(errors)) * 288 * 14 == pytest.approx(1.0, rel=0.1)


def test_by_how_much_its_days_differ_in_level() -> None:
    """Days that go up and down by 0.1 at any time: the quartile of a normal distribution, for one day."""
    profile = days(*([7.0 + 0.1 * (day % 2)] * 48 for day in range(5)))
    assert level_spread(profile) == pytest.approx(0.1 / NORMAL.inv_cdf(0.75) / math.sqrt(2), rel=1e-3)
    assert level_spread(days([7.0] * 48)) == level_spread(DailyProfile(centre="median")) == 0.0


# -- what is told of them ---------------------------------------------------------------------------


def says(
    grown: float = 0.10,
    below: float = 0.06,
    fall: float = 0.05,
    mg_l: float = 24.0,
    error: float = 0.25,
    text: str = FED,
    rises: float = 0.0,
    watch: OwnCourse | None = None,
    active: str = "",
    noise: float = 0.0,
    **known: Any,
) -> str:
    """The usual lowest pH is 7.0 and the limit 30 mg/L; the tank loses a third of its gas in an hour."""
    ph, span = 7.0 - below, known.pop("span", 115)
    before = known.pop("before", 0.0)
    odd = SimpleNamespace(ago=lambda ms: before if ms == span * MINUTE else None, values=[grown])
    usual: dict[str, Any] = {
        "ph": ph,
        "slope": -fall,
        "expected": ph + grown,
        "usual_low": 7.0,
        "creep": 0.0,
        "course": 0.01,
        "long_course": 0.01,
        "loss_per_h": 0.33,
        "ceaseless": False,
        "residuals": odd,
        "falls": (fall, fall),
        "known": 5,
    }
    usual |= known
    curve: Any = SimpleNamespace(
        **usual,
        days=SimpleNamespace(course=usual["course"], long_course=usual["long_course"]),
        window=SimpleNamespace(
            slope_per_hour=lambda ms: -usual["falls"][0 if ms == 60 * MINUTE else 1],
        ),
        profile=SimpleNamespace(at=lambda at, days=1: shown(at) if usual["known"] >= days else None),
    )
    about = moment(600, active)
    about.sensors["ph"] = Sensor(interval_ms=MINUTE, noise=noise)

    def shown(at: float) -> float:
        return ph + grown - (rises if at == 600 - 115 else 0.0)

    return (watch or OwnCourse()).says(tank_of(text), about, curve, Gas(mg_l, error))


def test_how_far_it_departs_in_two_hours() -> None:
    """Six standard deviations, of 0.012 pH at least; of two noisy values more."""
    assert says(grown=0.075) == RISES_ON and not says(grown=0.070)
    assert says(grown=0.13, course=0.02) and not says(grown=0.11, course=0.02)
    assert not says(grown=0.075, noise=0.02), "as much as the electrode's own noise"
    assert not says(course=None), "days that nobody has seen"
    assert says(known=3) and not says(known=2)


def test_what_gathers_in_four_hours() -> None:
    assert says(grown=0.075, span=235) and not says(grown=0.070, span=235) and not says(span=240)
    assert says(grown=0.13, span=235, long_course=0.02) and not says(grown=0.11, span=235, long_course=0.02)
    assert says(span=235, course=None) and not says(span=235, long_course=None)
    assert not says(span=235, before=-0.1, grown=0.07), "it only came back to the usual"
    assert says(before=-0.1, grown=0.07) and not says(span=235, before=0.02, grown=0.09)
    now = moment(600).frame.start_ms
    assert not says(span=235, watch=OwnCourse(quiet_ms=now - 234 * MINUTE))
    assert says(span=235, watch=OwnCourse(quiet_ms=now - 236 * MINUTE))


def test_how_low_it_must_be() -> None:
    assert says(below=0.055) and not says(below=0.045)
    assert says(below=0.155, creep=0.1, mg_l=30) and not says(below=0.145, creep=0.1, mg_l=30), (
        "what sank for days is no gas"
    )


def test_it_must_fall_on_over_one_hour_and_two() -> None:
    assert says(fall=0.016, mg_l=29) and not says(fall=0.014, mg_l=29)
    assert says(falls=(0.02, 0.05), mg_l=29) and not says(falls=(0.01, 0.05), mg_l=29)
    assert not says(falls=(0.05, 0.01), mg_l=29)


def test_what_it_leads_to_within_a_night() -> None:
    """C goes to (1 + ln 10 f / k) C, all but exp(-8 k); with the errors of both 30 % are over the limit."""
    supply = 1 + math.log(10) * 0.05 / 0.33
    later = supply + (1 - supply) * math.exp(-8 * 0.33)
    at = 30 * math.exp(NORMAL.inv_cdf(0.3) * math.hypot(0.25, 0.2)) / later
    assert says(mg_l=at * 1.01) and not says(mg_l=at * 0.99)
    # half of it holds what was told, whatever the last two hours were
    low = 30 * math.exp(NORMAL.inv_cdf(0.15) * math.hypot(0.25, 0.2)) / later
    active = "co2-overdose"
    assert says(mg_l=low * 1.01, watch=OwnCourse(told=True), active=active, grown=0.0)
    assert not says(mg_l=low * 0.99, watch=OwnCourse(told=True), active=active, grown=0.0)
    assert not says(mg_l=low * 1.01, watch=OwnCourse(), active=active), "another's alarm is not held by it"
    assert not says(loss_per_h=None)


def test_with_a_slow_loss_a_night_is_not_enough() -> None:
    """exp(-8 k) with k 0.1: 45 % of the way are left."""
    supply = 1 + math.log(10) * 0.05 / 0.1
    later = supply + (1 - supply) * math.exp(-8 * 0.1)
    at = 30 * math.exp(NORMAL.inv_cdf(0.3) * math.hypot(0.25, 0.2)) / later
    assert says(mg_l=at * 1.01, loss_per_h=0.1) and not says(mg_l=at * 0.99, loss_per_h=0.1)


def test_where_ph_goes_its_own_ways() -> None:
    assert says(text=TIMED) and not says(text=FED + SOIL), "active soil takes up hardness"
    assert not says(text=FED + 'control = "ph-controller"\n'), "a controller's valve shuts again"
    for alarm in ("light-missing", "power-interrupted", "stray-current-suspected", "probe-fault"):
        assert not says(active=alarm)
    assert says(active="temperature-high")


def test_not_in_the_two_hours_after_someone_was_at_the_tank() -> None:
    now = moment(600).frame.start_ms
    assert says(watch=OwnCourse(quiet_ms=now - 116 * MINUTE))
    assert not says(watch=OwnCourse(quiet_ms=now - 114 * MINUTE))
    assert says(watch=OwnCourse(quiet_ms=now + MINUTE)), "a clock that was put back"


def test_whether_it_came_within_hours() -> None:
    """Nobody knows it in a tank's first days, nor just after someone was there, and above the lowest."""

    def departs(**known: Any) -> bool:
        watch = known.pop("watch", OwnCourse())
        says(watch=watch, **known)
        return watch.departs

    assert departs(below=0.035) and not departs(below=0.035, grown=0.0) and departs(below=0.025, grown=0.0)
    assert departs(grown=0.0, known=2) and departs(grown=0.0, course=None, long_course=None)
    now = moment(600).frame.start_ms
    assert departs(grown=0.0, watch=OwnCourse(quiet_ms=now - 60 * MINUTE))


def test_gas_at_a_time_when_it_never_runs() -> None:
    """Nobody said when its valve shuts, but pH rises at this time; little gas harms nobody soon."""
    assert says(mg_l=17, rises=0.06) == RUNS_WHEN_NEVER and not says(mg_l=17, rises=0.04)
    assert says(mg_l=16.5, rises=0.06) and not says(mg_l=16.2, rises=0.06), "0.7 of 30, a standard error up"
    assert not says(mg_l=17, rises=0.06, text=TIMED), "its hours are known: another's to judge"
    assert not says(mg_l=17, rises=0.06, text=FED.replace("cylinder", "yeast"))
    assert not says(mg_l=17, rises=0.06, ceaseless=True, text=ALWAYS)
    assert not says(mg_l=17, rises=0.06, slope=0.01) and says(mg_l=17, rises=0.06, slope=0.0)


# -- the whole -------------------------------------------------------------------------------------


@pytest.mark.parametrize("surges", [True, False])
def test_a_slow_surge_is_told_hours_before_the_limit(surges: bool) -> None:
    """A made-up tank whose gas is given night and day: dC/dt = k (supply - C), k 0.25 an hour."""
    text = WITH_HOURS[: WITH_HOURS.index("[tanks.shelf.co2]")] + (
        '[tanks.shelf.co2]\nsource = "cylinder"\ncontrol = "always"\n'
    )
    begins = 4 * 1440 + 120

    def supply(minute: int) -> float:
        usual = 22.0 + 3.0 * math.sin(minute / 1440 * 2 * math.pi)
        late = surges and minute >= begins
        return usual * (1 + 0.6 * min(1.0, (minute - begins) / 180)) if late else usual

    found, over = told_and_over(text, 4.0, supply, loss_per_h=0.25, gas=20.0, seed=3)
    assert (found is not None) is surges and (over is not None) is surges
    if found is not None and over is not None:
        assert begins < found < over - 30
