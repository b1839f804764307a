"""Where a surge begins and where it does not, just inside each rule and just outside.

The usual day is given as it is. The figures are common practice, no source; probabilities are those of the
normal distribution, by Python's own `statistics`, and a slope's error is that of ordinary least squares.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.gas.surge import SurgeWatch
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.carbon_dioxide import Gas
from tests.analysis.detectors.gas.test_gas_limits import BEGAN, FED, MINUTE, moment, tank_of

NORMAL = statistics.NormalDist()
LN10 = math.log(10)


def course(*values: float, at: list[int] | None = None) -> Window:
    """pH by the minute."""
    window = Window(100)
    for n, value in enumerate(values):
        window.add(BEGAN + (at[n] if at else n) * MINUTE, value)
    return window


def fall(minutes: int, flat: int = 0, pace: float = 0.05) -> list[float]:
    """pH by the minute that falls by `pace` in each of the last minutes."""
    return [7.5 - pace * max(0, n - flat) for n in range(flat + minutes + 1)]


def least(window: Window, span: int = 13, noise: float = 0.0, loss: float = 1.0) -> float:
    """The supply by the fall over that span, in units of the usual one; 0 where there is no such fall."""
    watch, ph = SurgeWatch(), window.values[-1]
    falls = watch._falls(window, span, noise)
    return 0.0 if falls is None else watch._least(ph, falls, noise, ph, loss)


# -- what a fall says of the supply -----------------------------------------------------------------


def test_how_much_of_the_span_must_be_there() -> None:
    assert least(course(*fall(10))) > 0 and least(course(*fall(9))) == 0
    four, five = [0, 2, 4, 6], [0, 1, 2, 4, 6]
    assert least(course(*(7.5 - 0.05 * n for n in five), at=five), 6) > 0
    assert least(course(*(7.5 - 0.05 * n for n in four), at=four), 6) == 0


def stepping(step: float, total: float = 0.2) -> Window:
    values = [7.5 - (total - step) * n / 12 for n in range(13)]
    return course(*values, values[-1] - step)


def test_one_step_is_no_chemistry() -> None:
    assert least(stepping(0.095)) != 0 and least(stepping(0.105)) == 0
    assert least(stepping(0.115), noise=0.03) != 0 and least(stepping(0.125), noise=0.03) == 0


def test_the_slopes_error_is_that_of_least_squares() -> None:
    """A little more: the usual approximation for many values."""
    window = course(*fall(13))
    by_slope = 1 + LN10 * 0.05 * 60
    hours = [n / 60 for n in range(14)]
    exact = 0.01 / math.sqrt(sum((x - statistics.fmean(hours)) ** 2 for x in hours))
    error = (by_slope - least(window, noise=0.01)) / LN10 / SURGE.errors(13)
    assert exact < error < 1.1 * exact


def test_noise_makes_a_surge_once_in_half_a_year() -> None:
    """Looks of that length in half a year, times the chance of each."""
    for span in (6, 13):
        looks = 365.25 / 2 * 24 * 60 / span
        assert looks * (1 - NORMAL.cdf(SURGE.errors(span))) == pytest.approx(1, rel=0.05)


def test_no_frame_is_better_than_four_thousandths() -> None:
    none = least(course(*fall(13)))
    assert least(course(*fall(13)), noise=0.003) == none > least(course(*fall(13)), noise=0.005)


# -- what is kept and learnt ------------------------------------------------------------------------


class Usual:
    """A tank's usual day, and a watch that is given its pH."""

    def __init__(self, low: float = 7.0, at: Callable[[float], float] | None = None, loss: float = 1.0):
        self.watch, self.window = SurgeWatch(), Window(SURGE.frames)
        self.curve: Any = SimpleNamespace(
            usual_low=low,
            loss_per_h=loss,
            profile=SimpleNamespace(at=at or (lambda _: 8.0)),
            extremes=SimpleNamespace(lows=[low]),
            creep=0.0,
            scatter=0.1,
        )
        self.soil = False

    def see(self, *values: float, every_s: float = 60, begin: int = 0, noise: float = 0.0) -> list[bool]:
        out = []
        for n, value in enumerate(values, begin):
            about = moment(n)
            about.sensors["ph"] = Sensor(interval_ms=round(every_s * 1000), noise=noise)
            self.window.add(about.frame.start_ms, value)
            if n == begin:
                self.watch.prepare(about, self.window, self.curve, self.soil)
            out.append(self.watch.add(about, self.window, value, self.curve))
        return out


def test_twice_the_long_span_is_kept_and_a_gap_begins_anew() -> None:
    detector, times = CarbonDioxideDetector(), []
    for n in [*range(60), 63, 68]:
        detector.update(tank_of(FED), moment(n, ph=7.0))
        times.append(list(detector.block.times))
    assert 26 * MINUTE < times[59][-1] - times[59][0] < 28 * MINUTE
    assert len(times[60]) == 28 and len(times[61]) == 1


def test_what_came_before_a_hand_in_the_tank_says_nothing() -> None:
    """Ten of the thirteen minutes must have passed since."""
    window = course(*fall(13))
    for minute, left in ((2, True), (3, False)):
        watch = SurgeWatch()
        watch.clear(BEGAN + minute * MINUTE)
        assert (watch._falls(window, 13, 0.0) is not None) is left


def test_how_often_an_electrode_is_looked_at_for_its_wandering() -> None:
    """Each half-hour; and the usual day is straight for five minutes."""
    usual, looks = Usual(), []
    for n in range(28):
        usual.window.add(BEGAN + n * MINUTE, 7.0 + n % 5 / 100)
    for n in range(0, 120, 5):
        usual.watch.wanders = [0.0, 0.0]
        about = moment(n)
        usual.watch.prepare(about, usual.window, usual.curve)
        looks += [about.minute % 30] if usual.watch.wanders[0] else []
    assert looks == [0.0] * 4


@pytest.mark.parametrize("slope", [-0.5, 0.5])
def test_within_five_minutes_no_surge_is_missed_by_the_short_way(slope: float) -> None:
    """The usual pH moves: 0.03 below its higher end of the five minutes may be odd."""
    usual = Usual(7.0, lambda minute: 7.0 + slope * minute / 60)
    usual.window.add(BEGAN, 7.0)
    usual.watch.prepare(moment(0), usual.window, usual.curve)
    highest = max(7.0, 7.0 + slope * 5 / 60)
    assert usual.watch.__dict__["below"] == pytest.approx(highest - 0.03)


@pytest.mark.parametrize(
    ("every_s", "flat", "whole"),
    [(20, 7, True), (20, 8, False), (21, 7, False), (21, 0, True), (60, 1, False)],
)
def test_over_which_span_a_fall_is_looked_for(every_s: int, flat: int, whole: bool) -> None:
    """Six minutes where three readings a minute come, thirteen else: no longer span shows all of a fall."""
    usual = Usual(low=7.5 - 0.05 * (13 - flat))
    usual.see(*fall(13 - flat, flat), every_s=every_s)
    assert usual.watch.supply == pytest.approx(1 + LN10 * 3.0) or not whole
    assert (usual.watch.supply < (1 + LN10 * 3.0) * 0.999) is not whole


def test_how_an_electrode_wanders_is_learnt_in_a_day() -> None:
    """Of what was known a day of looks leaves 1/e; one look counts four times what is known at most."""
    watch, still = SurgeWatch(wanders=[1.0, 1.0]), course(*[7.0] * 28)
    for _ in range(24 * 60 // SURGE.learns_every_min):
        watch._learn(still)
    assert watch.wanders == pytest.approx([math.exp(-1)] * 2, rel=0.02)

    def after(variance: float) -> float:
        slope = math.sqrt(2 * variance) / 60
        bent = SurgeWatch(wanders=[1.0] * 2)
        bent._learn(course(*(7.0 - slope * max(0, n - 21) for n in range(28))))
        return bent.wanders[0]

    assert after(3.6) < after(3.9) < after(4.1) == after(5.5)
    new = SurgeWatch()
    new._learn(course(*fall(6, 21)))
    known = SurgeWatch(wanders=[1e-9 + new.wanders[0] / 4] * 2)
    known._learn(course(*fall(6, 21)))
    assert new.wanders[0] > 0 and known.wanders[0] > new.wanders[0] / 4


# -- against the usual day --------------------------------------------------------------------------


def seen(supply: float, usual: float = 0.0, soil: bool = False) -> bool:
    """Whether a supply that is so large at least looks like a surge, beside what the usual day shows."""
    values, loss = fall(13), 50.0 if usual else 1.0
    share = supply / least(course(*values), loss=loss)
    low = values[-1] + math.log10(share)
    flat = low - math.log10(usual) if usual else 20.0
    tank = Usual(low, lambda _: flat, loss)
    tank.soil = soil
    tank.see(*values)
    return tank.watch.seen > 0


def test_how_many_times_the_usual_supply() -> None:
    """1.7, or 0.6 above what the same sum makes of the usual day."""
    assert not seen(1.65) and seen(1.75)
    assert not seen(2.55, usual=2.0) and seen(2.65, usual=2.0)
    # over active soil 1.3 scatters of the daily lowest pH, of 0.1 each, may be hardness: 2 * 10^0.13 = 2.7
    assert not seen(3.2, usual=2.0, soil=True) and seen(3.4, usual=2.0, soil=True)


@pytest.mark.parametrize(("ago", "falls"), [(20, False), (22, True)])
def test_over_how_long_a_fall_is_weighed_against_a_step(ago: int, falls: bool) -> None:
    """Twenty-one minutes: an electrode that was put in before has nothing to do with it."""
    window = course(*[8.0] * (28 - ago), *(7.0 - 0.01 * max(0, n - ago + 6) for n in range(ago)))
    assert SurgeWatch()._goes_on(window, 0.005) is falls


@pytest.mark.parametrize(("minutes", "counts"), [(-95, False), (-85, True), (115, True), (125, False)])
def test_how_near_in_the_usual_day_a_fall_counts(minutes: int, counts: bool) -> None:
    """An hour and a half before, and as long after and half an hour more."""

    def at(minute: float) -> float:
        return 7.0 if 0 <= (minute - 800 - minutes) % 1440 < 700 else 7.2

    curve: Any = SimpleNamespace(profile=SimpleNamespace(at=at))
    most = SurgeWatch._usual(800, 7.0, 1.0, curve)
    assert (most > 1.5) is counts


@pytest.mark.parametrize(
    ("ph", "expected", "surges"),
    [
        (6.975, 7.0, False), (6.965, 7.0, True), (7.08, 7.17, False), (7.05, 7.14, True),
        (7.2, 7.295, False), (7.2, 7.305, True),
    ],
)  # fmt: skip
def test_how_far_below_the_usual_of_this_time(ph: float, expected: float, surges: bool) -> None:
    """0.03 where it is within 0.1 of the lowest, else 0.1."""
    usual = Usual(7.0, lambda _: expected)
    usual.see(*(ph + 0.05 * (13 - n) for n in range(14)))
    assert (usual.watch.seen > 0) is surges


def test_two_frames_in_a_row_are_a_surge() -> None:
    said = Usual(7.0).see(*(7.6 - 0.05 * n for n in range(14)))
    first = said.index(True)
    one = Usual(7.0)
    assert not any(one.see(*(7.6 - 0.05 * n for n in range(first)))) and one.watch.seen == 1


# -- how fast a tank loses its gas ------------------------------------------------------------------


def usual_rise(per_h: float, bins: int = 10, days: int = 2) -> PhCurve:
    """A usual day in which pH rises by that for so many half-hours."""
    curve = PhCurve()
    curve.profile.days = [days] * 48
    curve.profile.usual = [7.0 + per_h * min(n, bins) / 2 for n in range(48)]
    return curve


def test_the_loss_is_the_steepest_hour_of_the_usual_day() -> None:
    """With the gas off CO2 goes as exp(-k t), so pH rises by k / ln 10."""
    assert usual_rise(0.2).loss_per_h == pytest.approx(0.2 * LN10)
    assert usual_rise(0.2, bins=1).loss_per_h == pytest.approx(0.1 * LN10)
    assert usual_rise(0.2, days=1).loss_per_h is None


@pytest.mark.parametrize(("co2", "shown"), [
    ('source = "cylinder"', True), ('control = "hours"', True),
    ('source = "yeast"', False), ('control = "always"', False),
    ('source = "yeast"\non = "10:00"\noff = "18:00"', True),
])  # fmt: skip
def test_gas_that_never_stops_shows_no_loss(co2: str, shown: bool) -> None:
    """A flat day: by a valve it is a slow tank; by a reactor the lower quartile of 0.1 to 2 an hour (log)."""
    flat, steep = usual_rise(0.0), usual_rise(0.9 / LN10)
    for curve in (flat, steep):
        curve.trust(tank_of("[tanks.sill.co2]\n" + co2), moment(0))
    assert flat.loss_per_h == pytest.approx(0.1 if shown else 0.1**0.75 * 2.0**0.25)
    assert steep.loss_per_h == pytest.approx(0.9)


def test_between_which_losses_any_tank_lies() -> None:
    def loss(per_h: float) -> float:
        found = usual_rise(per_h / LN10).loss_per_h
        assert found is not None
        return found

    assert loss(0.02) == loss(0.08) < loss(0.11) < loss(0.13)
    assert loss(1.5) < loss(1.9) < loss(2.2) == loss(2.8)


# -- what is made of it -----------------------------------------------------------------------------


def surged(mg_l: float = 20.0, ahead: float = 0.9, left_s: float | None = None) -> Finding | None:
    """The alarm of a tank in which a surge was seen just now."""
    watch: Any = SimpleNamespace(
        prepare=lambda *_: None,
        add=lambda *_: True,
        ahead=lambda *_: ahead,
        left_s=lambda *_: left_s,
        supply=3.0,
    )
    estimate: Any = SimpleNamespace(at=lambda *_: Gas(mg_l, 0.3))
    detector = CarbonDioxideDetector(surge=watch, estimate=estimate)
    detector._fast(tank_of(FED), moment(0), 7.0, restless=False)
    return detector.hold.get("co2-overdose")


def test_how_much_gas_and_how_likely_it_is_over_the_limit() -> None:
    """A quarter of the limit, and three in ten."""
    assert surged(7.4) is None and surged(7.6) is not None
    assert surged(ahead=0.29) is None and surged(ahead=0.31) is not None


def test_a_person_needs_an_hour_and_a_half() -> None:
    for left_s, said in ((None, 5400), (5300, 5300), (5500, 5400)):
        found = surged(left_s=left_s)
        assert found is not None and found.time_left_s == said


def test_the_error_of_an_hour_ahead_by_the_supply() -> None:
    """Gas that stays as it is, a fifth below the limit: one standard error."""
    watch, curve = SurgeWatch(supply=1.0), Usual(7.0).curve
    chance = watch.ahead(Gas(30 * math.exp(-0.2), 1e-6), 7.0, curve, 30.0, 1.5)
    assert chance == pytest.approx(NORMAL.cdf(-1), abs=0.005)
