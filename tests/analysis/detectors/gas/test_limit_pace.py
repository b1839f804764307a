"""A pH that goes to its limit, whatever makes it go: told by its own name when it gets there."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.gas.limit_pace import climbs_past, moves_by
from rushlight.analysis.detectors.gas.ph_range import RangeJudge
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.gas.test_gas_limits import FED, LIMITS, MINUTE, after, curve, moment, tank_of
from tests.analysis.detectors.gas.test_ph_range import DAY, GASSED, fed_day, usual, watched

FULL = LIMITS.replace("ph_high", "degassed_ph = 8.3\nph_high") + FED


def going(pace: float, ph: float = 7.9, text: str = FULL, **known: Any) -> int | None:
    """Minutes until it is told, at so many pH an hour for two hours."""
    course: dict[str, Any] = {"lately": pace, "slope": pace, "highs": [7.4] * 3}
    return after(ph, text, **(course | known))


def test_what_will_pass_the_limit_in_an_hour_and_a_half_is_told_now() -> None:
    """Gas that leaves takes it there as well, where the water without any is past the limit."""
    assert going(0.08) == 10 and going(0.06) is None
    assert going(0.08, found="co2-absent") == 10 and going(0.06, found="co2-absent") is None
    less = FULL.replace("8.3", "7.95")
    assert going(0.08, text=less) is None and going(0.08, text=less.replace("7.95", "8.0")) == 10
    # a day like all others is no news
    assert going(0.08, highs=[7.8] * 3) is None


def test_so_is_what_sinks_to_the_lower_limit() -> None:
    low = {"lows": [6.5] * 3, "lately": -0.07, "slope": -0.07}
    assert after(6.1, FULL, **low) == 10 and after(6.12, FULL, **low) is None
    assert after(6.1, FULL, **(low | {"lows": [6.2] * 3})) is None


def test_far_from_the_limit_nobody_looks_at_the_pace_of_hours() -> None:
    assert going(0.3, ph=7.61) is not None and going(0.3, ph=7.59) is None


def test_what_has_slowed_goes_no_further() -> None:
    """A third of its pace, in the last half-hour: water that was poured in."""
    assert going(0.08, slope=0.026) == 10 and going(0.08, slope=0.022) is None
    assert going(0.08, slope=-0.01) is None


def test_at_rest_just_within_the_limit_it_is_given_half_an_hour() -> None:
    days = [7.8] * 3  # none far from it
    assert going(0.025, ph=7.99, highs=days) == 30 and going(0.028, ph=7.99, highs=days) == 10


def test_the_pace_is_the_lesser_of_two_hours_and_one() -> None:
    """Level, then 0.2 pH an hour for the last 90 minutes (least squares by hand: 0.167 over two hours)."""
    window = Window(37)
    for at in range(-180, 1, 5):
        window.add(at * MINUTE, 7.8 + 0.2 * max(0, at + 90) / 60)
    seen: Any = SimpleNamespace(window=window, slope=0.2)
    times = range(-120, 1, 5)
    middle = sum(times) / len(times)
    rise = sum((at - middle) * max(0, at + 90) / 60 * 0.2 for at in times)
    by_hand = rise / sum((at - middle) ** 2 for at in times) * 60
    assert by_hand == pytest.approx(0.1666, abs=0.001)
    assert moves_by(seen, Sensor(), 8.0, 6.0, 8.0) == pytest.approx(1.5 * by_hand)
    for at in range(5, 61, 5):
        window.add(at * MINUTE, 8.1)  # over since an hour
    assert moves_by(seen, Sensor(), 8.0, 6.0, 8.0) == pytest.approx(0.0, abs=1e-6)
    window.clear()
    assert moves_by(seen, Sensor(), 8.0, 6.0, 8.0) == 0.0


def told_of_gas(minutes: int, text: str = FULL, ph: float = 5.8) -> Finding | None:
    """What is said of a pH below its limit after so long with too much gas."""
    judge, tank = RangeJudge(), tank_of(text)
    said = None
    for minute in range(0, minutes + 1, 5):
        now = moment(minute, "co2-overdose")
        said = judge.judge(tank, now, curve(ph), ph, {"co2-overdose": Finding(alarm="co2-overdose")})
    return said


def test_beside_too_much_gas_a_low_ph_is_told_when_there_was_time_to_act() -> None:
    """Three hours, and its own patience: hardness that runs out looks like gas until KH is tested."""
    assert told_of_gas(185) is None
    said = told_of_gas(190)
    assert said is not None and said.beside and "test KH" in said.rule_out
    assert "gas" in said.cause and "hardness" in said.cause
    assert told_of_gas(300, ph=6.1) is None


def test_beside_gas_that_is_missing_a_high_ph_is_told_at_once() -> None:
    judge, tank = RangeJudge(), tank_of(FULL)
    found = {"co2-absent": Finding(alarm="co2-absent")}
    said = judge.judge(tank, moment(0, "co2-absent"), curve(8.35), 8.35, found)
    assert said is not None and said.beside and "no CO2" in said.cause and "test KH" in said.rule_out
    assert judge.judge(tank, moment(0, "co2-absent"), curve(7.9), 7.9, found) is None


def test_where_gaps_spoil_the_days_the_time_of_day_says_what_is_usual() -> None:
    new: dict[str, Any] = {"lows": [], "highs": []}
    assert after(8.1, expected=8.1, **new) is None and after(8.2, expected=8.1, **new) is not None
    assert after(8.3, expected=8.4, **new) is not None  # not so far past it


def test_what_is_usual_less_its_step_does_not_go_on() -> None:
    """In a current the level that it stepped to shakes, as if it rose."""

    def told(expected: float) -> bool:
        judge, tank = RangeJudge(), tank_of(LIMITS)
        now = moment(0)
        now.current.ph_stepped = 0.8
        seen = curve(7.6, expected=expected, rise=0.4, slope=0.4, lately=0.4)
        return judge.judge(tank, now, seen, 8.4, {}) is not None

    assert told(7.4) and not told(7.5)


CLIMBS = [7.0] * 15 + [7.0 + 0.06 * n for n in range(1, 14)]


@pytest.mark.parametrize(("past", "told"), [(0.09, False), (0.11, True)])
def test_a_climb_is_told_a_tenth_past_the_limit(past: float, told: bool) -> None:
    block = Window(30)
    for n, value in enumerate(CLIMBS):
        block.add(n * MINUTE, value)
    sensor = Sensor()
    assert climbs_past(block, sensor, CLIMBS[-1], CLIMBS[-1] - past) is told
    for n in range(len(CLIMBS)):
        block.values[n] = 7.0 if n < 15 else CLIMBS[-1]  # one step
    assert not climbs_past(block, sensor, CLIMBS[-1], CLIMBS[-1] - past)


def climbing(shape: Callable[[int], float], minutes: int = 40) -> list[int]:
    """The minutes in which a watch says that pH is out of its range, from the fault's begin on.

    An accelerating climb looks like steps, which shut the judgement for a quarter of an hour.
    """
    tank = Tank("ledge", parse_settings(GASSED.replace("8.2", "7.9")).tanks["ledge"])
    detector, told = CarbonDioxideDetector(), []
    begin = 3 * DAY
    for at in range(begin + minutes):
        ph = usual(at) + shape(max(0, at - begin))
        frame = Frame(at * MINUTE, (at + 1) * MINUTE, 24.0, None, ph, None, None, {})
        now = Moment(frame, at // DAY, float(at % DAY), at % 5 == 4, set())
        now.heat.slope = 0.0
        now.current.step_seen = begin + 8 <= at < begin + 12
        found = {finding.alarm: finding for finding in detector.update(tank, now)}
        if "ph-out-of-range" in found:
            told.append(at - begin)
    return told


def test_what_climbs_past_the_limit_by_the_minute_is_told_although_it_steps() -> None:
    """Something alkaline: from 7.4 to 9 within a quarter of an hour; a lone step of an electrode is not."""

    def climb(minute: int) -> float:
        return 0.0075 * minute * minute

    crossed = next(minute for minute in range(40) if usual(3 * DAY) + climb(minute) > 7.9)
    told = climbing(climb)
    assert told and crossed <= told[0] <= crossed + 3
    assert not climbing(lambda minute: 0.8 if minute > 8 else 0.0, 22)


@pytest.mark.parametrize(("above", "looks"), [(0.04, False), (0.06, True)])
def test_only_what_is_above_the_last_minutes_is_looked_at(
    above: float, looks: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[int] = []
    monkeypatch.setattr(RangeJudge, "climbs", lambda *_: seen.append(1))
    climbing(lambda minute: above if minute == 1 else 0.0, 2)
    first = 5  # until it has seen five minutes it knows nothing
    assert (len(seen) > first) is looks


def test_gas_that_is_gone_past_the_limit_is_told_as_both() -> None:
    """From 17 mg/L down to a fifth, at 0.3 an hour: up to 7.7, where the limit is 7.5."""
    begin = 4 * DAY + 2 * 60

    def gone(at: int, rest: float) -> float:
        return fed_day(at) - math.log10(rest + (1 - rest) * math.exp(-0.3 * max(0, at - begin) / 60))

    raised = watched(lambda at: gone(at, 0.2), 4 * DAY + 20 * 60)
    first = {alarm: at for at, alarm in reversed(raised)}
    assert set(first) == {"co2-absent", "ph-out-of-range"}
    crossed = next(at for at in range(begin, 5 * DAY) if gone(at, 0.2) > 7.5)
    assert crossed - 3 * 60 < first["ph-out-of-range"] <= crossed
    assert {alarm for _, alarm in watched(lambda at: gone(at, 0.45), 4 * DAY + 20 * 60)} == {"co2-absent"}
