"""Slopes, robust statistics and the local clock against scipy, numpy and the IANA time zone database."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rushlight.analysis.estimators.daily import DailyExtremes, DailyProfile
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.estimators.robust import median, spread
from rushlight.analysis.estimators.robust import theil_sen as slope_of
from rushlight.analysis.estimators.units import DAY_MS, HOUR_MS
from rushlight.analysis.estimators.window import Window

CHANGES: dict[str, Any] = {
    entry["id"]: entry["value"]
    for entry in json.loads(
        (Path(__file__).parents[2] / "references" / "time.json").read_text(encoding="utf-8")
    )["entries"]
}["time.dst_2026"]
ZONES = [zone for zone in CHANGES if "/" in zone]
BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z

values = st.floats(-1000, 1000).map(lambda v: round(v, 3))
# distinct abscissae, as scipy leaves out pairs of equal ones and says so
points = st.lists(st.tuples(st.integers(0, 500), values), min_size=2, max_size=25, unique_by=lambda p: p[0])


@given(points)
def test_theil_sen_is_scipys(drawn: list[tuple[int, float]]) -> None:
    """scipy.stats.theilslopes (Theil 1950, Sen 1968)."""
    xs = [float(x) for x, _ in drawn]
    ys = [y for _, y in drawn]
    expected = stats.theilslopes(ys, xs)[0]
    assert slope_of(xs, ys) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_theil_sen_forgives_three_wild_values_in_ten() -> None:
    """Its breakdown point is 1 - 1/sqrt(2), about 29 % (Sen 1968; from memory)."""
    xs = [float(x) for x in range(14)]
    ys = [0.5 * x for x in xs]
    for wild in (2, 6, 11):
        ys[wild] = 1e6
    assert slope_of(xs, ys) == pytest.approx(0.5)
    assert abs(np.polyfit(xs, ys, 1)[0] - 0.5) > 100  # least squares does not forgive them


def test_theil_sen_of_too_little_is_level() -> None:
    assert slope_of([], []) == slope_of([1.0], [5.0]) == slope_of([2.0, 2.0], [1.0, 9.0]) == 0.0


@given(st.lists(values, min_size=1, max_size=40))
def test_median_is_numpys(drawn: list[float]) -> None:
    before = list(drawn)
    assert median(drawn) == pytest.approx(float(np.median(drawn)), rel=1e-12, abs=1e-12)
    assert drawn == before  # not sorted in place


def test_median_of_nothing() -> None:
    with pytest.raises(ValueError, match="median of nothing"):
        median([])


@given(st.lists(values, min_size=3, max_size=40))
def test_spread_is_scipys(drawn: list[float]) -> None:
    """scipy.stats.median_abs_deviation with the factor 1.4826 of the normal distribution."""
    expected = 1.4826 * stats.median_abs_deviation(drawn)
    assert spread(drawn) == pytest.approx(float(expected), rel=1e-9, abs=1e-9)


@given(st.lists(values, min_size=8, max_size=60), st.integers(10_000, 600_000))
def test_slope_is_numpys(drawn: list[float], step_ms: int) -> None:
    """Least squares of degree one by numpy.polyfit."""
    window = Window(100)
    times = [BEGAN + n * step_ms for n in range(len(drawn))]
    for time_ms, value in zip(times, drawn, strict=True):
        window.add(time_ms, value)
    span = times[-1] - times[0]
    hours = (np.array(times) - times[-1]) / HOUR_MS
    expected = float(np.polyfit(hours, drawn, 1)[0])
    scale = (max(drawn) - min(drawn) + 1) / (span / HOUR_MS)
    assert window.slope_per_hour(span) == pytest.approx(expected, rel=1e-6, abs=1e-7 * scale)


def test_slope_looks_at_its_span_only() -> None:
    window = Window(60)
    for n in range(60):  # falls by 2 an hour, then rises by 3 an hour from the 30th minute on
        window.add(BEGAN + n * 60_000, 30 - n / 30 if n < 30 else 29 + (n - 30) / 20)
    assert window.slope_per_hour(20 * 60_000) == pytest.approx(3.0)
    assert window.ago(20 * 60_000) == window.values[39]
    assert window.ago(HOUR_MS) is None
    assert len(window.values) == 60
    window.add(BEGAN + HOUR_MS, 0.0)
    assert len(window.values) == 60 and window.times[0] == BEGAN + 60_000


def test_slope_waits_for_three_quarters_of_its_span() -> None:
    window = Window(60)
    found = []
    for n in range(31):
        window.add(BEGAN + n * 60_000, 20.0 + n)
        found.append(window.slope_per_hour(20 * 60_000))
    assert [n for n, slope in enumerate(found) if slope is not None] == list(range(15, 31))
    window.clear()
    assert window.slope_per_hour(20 * 60_000) is None and window.ago(0) is None


@pytest.mark.parametrize("zone", ZONES)
def test_clock_changes_when_the_published_tables_say(zone: str) -> None:
    """IANA time zone database, as in tests/references/time.json: last second before, first second after."""
    clock = LocalClock(zone)
    for change in CHANGES[zone]:
        moment = round(datetime.fromisoformat(change["utc"]).timestamp() * 1000)
        for time_ms, offset, text in (
            (moment - 1000, change["offset_before_h"], change["local_before"]),
            (moment, change["offset_after_h"], change["local_after"]),
        ):
            assert clock.offset_ms(time_ms) == offset * HOUR_MS
            local = datetime.fromisoformat(text)
            assert clock.text(time_ms) == f"{local:%H:%M}"
            day, minute = clock.local(time_ms)
            assert minute == pytest.approx(local.hour * 60 + local.minute + local.second / 60)
            assert day == (local.date() - datetime(1970, 1, 1).date()).days


@pytest.mark.parametrize("zone", [*ZONES, "Asia/Kathmandu", "Australia/Lord_Howe"])
def test_clock_agrees_with_zoneinfo_minute_by_minute(zone: str) -> None:
    """Two days around each change of the year, forwards and with steps back, as late readings make them."""
    clock = LocalClock(zone)
    table = ZoneInfo(zone)
    begin = datetime(2026, 1, 1, tzinfo=UTC)
    hours = [begin + timedelta(hours=n) for n in range(8760)]
    changes = [
        b for a, b in pairwise(hours) if a.astimezone(table).utcoffset() != b.astimezone(table).utcoffset()
    ]
    assert len(changes) == (0 if zone == "Asia/Kathmandu" else 2)
    for change in changes or [begin]:
        for n in range(-1440, 1440, 7):
            for step in (0, -31):
                moment = change + timedelta(minutes=n + step)
                local = moment.astimezone(table)
                day, minute = clock.local(round(moment.timestamp() * 1000))
                assert minute == local.hour * 60 + local.minute
                assert day == (local.date() - datetime(1970, 1, 1).date()).days


def test_daily_profile_gives_back_a_daily_curve() -> None:
    """A sine of the day, learnt over four days: bin means and straight lines are within 1 % of its swing."""
    profile = DailyProfile()
    for n in range(5 * 288):
        minute = n * 5 % 1440
        profile.add(minute, 24 + math.sin(2 * math.pi * minute / 1440), learn=n < 4 * 288)
    for minute in range(0, 1440, 11):
        expected = 24 + math.sin(2 * math.pi * minute / 1440)
        assert profile.at(minute) == pytest.approx(expected, abs=0.02)


def test_daily_profile_does_not_learn_what_is_left_out() -> None:
    profile = DailyProfile()
    assert profile.at(600) is None
    for n in range(3 * 288):
        profile.add(n * 5 % 1440, 20.0 if n < 576 else 99.0, learn=n < 576)
    assert profile.at(600) == pytest.approx(20.0)


def test_daily_extremes_leave_out_spoilt_days_and_days_of_gaps() -> None:
    extremes = DailyExtremes(keep=3)
    for day in range(7):
        for n in range(288):
            if day == 2 and n > 100:  # a gap
                continue
            # day 4 is spoilt by an alarm of six hours, day 1 only for an hour
            learn = not (day == 4 and n < 72) and not (day == 1 and n < 12)
            extremes.add(BEGAN + day * DAY_MS + n * 300_000, 20 + day + n / 288, learn, enough=200)
    assert extremes.lows == pytest.approx([21 + 12 / 288, 23, 25], abs=0.01)
    assert extremes.highs == pytest.approx([22, 24, 26], abs=0.01)
    assert extremes.means == pytest.approx([21.52, 23.5, 25.5], abs=0.01)


def test_a_day_from_which_nothing_was_learnt_is_no_day_however_rare_the_values() -> None:
    """A probe read twice a day: one value may be enough, none never is."""
    extremes = DailyExtremes(keep=3)
    for half_day in range(6):
        extremes.add(half_day * 43_200_000, 20.0 + half_day, learn=False, enough=0)
    assert extremes.lows == extremes.means == []
    for half_day in range(6, 10):
        extremes.add(half_day * 43_200_000, 20.0 + half_day, learn=True, enough=0)
    assert extremes.means == [26.5]
