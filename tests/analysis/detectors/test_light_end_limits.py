"""How long a light meter may be at its end, and what shows where that is: just inside and just outside.

Common practice, no source.
"""

from __future__ import annotations

import pytest

from rushlight.analysis.detectors.frames import Frame, SeriesFrame
from rushlight.analysis.detectors.probes import dead
from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.analysis.detectors.probes.light_end import LightEnd

MINUTE = 60_000
DAY = 1440
BEGAN = 1_772_323_200_000  # 2026-03-01T00:00Z
END = 54_612.5  # 65535 counts at 1.2 counts a lux (BH1750 data sheet, from memory)


class Meter:
    """A light meter, a report a minute."""

    def __init__(self) -> None:
        self.health = SeriesHealth()
        self.minute = 0
        self.value, self.since_ms = -1.0, BEGAN

    def see(self, lux: float, minutes: int = 1) -> Meter:
        """So long at that value."""
        for _ in range(minutes):
            now = BEGAN + self.minute * MINUTE
            if lux != self.value:
                self.value, self.since_ms = lux, now
            series = SeriesFrame(good=1, total=lux, last=lux, flat_since=self.since_ms, seen_ms=now)
            frame = Frame(now, now, None, None, None, lux, None, {"light": series})
            sight = dead.look("light", series, self.health, now)
            dead.note("light", frame, series, self.health, sight, MINUTE)
            self.minute += 1
        return self

    def alive(self, minutes: int, lux: float = 5000.0) -> Meter:
        """So long at a light that moves."""
        for at in range(minutes):
            self.see(lux + at % 3)
        return self

    def told_after(self, lux: float, until: int = 20 * 60) -> int | None:
        """Minutes at `lux` until it is a fault."""
        for n in range(until):
            self.see(lux)
            if self.health.fault:
                return n
        return None


def test_how_long_a_first_stay_may_be_and_what_is_daylight() -> None:
    assert Meter().alive(60).told_after(END) == 240
    # 0.5 of its end is daylight, whatever lamp there is: then a midsummer's day, 16 hours
    assert Meter().alive(60, 0.48 * END).told_after(END) == 240
    assert Meter().alive(60, 0.52 * END).told_after(END) == 960


def test_a_stay_may_be_longer_than_those_of_the_days_before_by_two_hours() -> None:
    meter = Meter().alive(60)
    meter.see(END, 200).alive(DAY)  # 200 + 120 minutes
    assert meter.told_after(END) == pytest.approx(320, abs=2)
    meter = Meter().alive(60).see(END, 100).alive(DAY)  # 100 + 120 are less than the first four hours
    assert meter.told_after(END) == 240


@pytest.mark.parametrize(("days", "limit"), [(6, 350), (7, 240)])
def test_a_long_stay_is_remembered_for_seven_days_with_one(days: int, limit: int) -> None:
    meter = Meter().alive(60).see(END, 230).alive(DAY)
    for _ in range(days):
        meter.see(END, 60).alive(DAY)
    assert meter.told_after(END) == pytest.approx(limit, abs=2)


def test_a_stay_that_no_sun_gives_is_not_learnt_from() -> None:
    end = LightEnd()
    end.stayed(959 * MINUTE, BEGAN)
    assert end.longest_min == [959]
    assert end.limit_ms(END) == 960 * MINUTE  # 959 + 120 would be longer than a day is
    end.stayed(961 * MINUTE, BEGAN + 3 * DAY * MINUTE)
    assert end.longest_min == [959]


def test_a_rest_of_two_days_is_a_meters_own_end() -> None:
    def days(lux: float, rest: int) -> LightEnd:
        meter = Meter()
        for _ in range(2):
            meter.alive(600, 0.6 * lux).see(lux, rest).alive(840 - rest, 0.6 * lux)
        assert meter.health.end is not None
        return meter.health.end

    assert days(40_000.0, 23).lux == 40_000.0
    assert days(40_000.0, 18).lux == 0.0
    assert days(33_000.0, 23).lux == 0.0  # a lamp may be as bright
    assert days(37_000.0, 23).lux == 37_000.0


def test_what_goes_further_has_not_its_end_there() -> None:
    end = LightEnd(lux=40_000.0, top=40_000.0, top_day=1)
    assert end.at(39_999.2) and not end.at(39_998.7)
    assert end.at(40_000.8) and not end.at(40_001.3) and not end.lux
    # and rests a lux apart are the same one
    end = LightEnd()
    end.rested(40_000.0, BEGAN)
    end.rested(40_000.8, BEGAN + DAY * MINUTE)
    assert end.lux == 40_000.0
    end = LightEnd()
    end.rested(40_000.0, BEGAN)
    end.rested(40_001.3, BEGAN + DAY * MINUTE)
    assert not end.lux
