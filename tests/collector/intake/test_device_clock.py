"""collector/intake/device_clock.py: a clock that is behind is found out, what a device or broker had kept is
not."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.collector.intake.device_clock import BEHIND_MS, DeviceClock
from rushlight.collector.intake.senml import Record, Report
from rushlight.collector.intake.timing import Stamper
from rushlight.collector.readings import STAMP_ARRIVAL, STAMP_DEVICE

NOW = 1_772_330_400_000  # 2026-03-01T02:00:00Z
HOUR = 3_600_000
DAY = 24 * HOUR


def test_limits_are_common_practice() -> None:
    assert BEHIND_MS == 120_000
    clock = DeviceClock()
    for n in range(20):  # two minutes behind is no fault
        assert clock.believes(NOW + n * 10_000 - 120_000, NOW + n * 10_000)
    behind = [clock.believes(NOW + n * 10_000 - 120_001, NOW + n * 10_000) for n in range(20, 40)]
    assert behind[:1] == [True] and not any(behind[3:])


def stamps(stamper: Stamper, every_ms: int, number: int, off_ms: int, start_ms: int, seq: int) -> list[int]:
    """Stamps of reports at a board's pace whose clock is off by so much."""
    found = []
    for n in range(number):
        now = start_ms + n * every_ms
        report = Report("hallway", seq + n if seq >= 0 else -1, [Record("temperature", 24.0, now + off_ms)])
        for reading in stamper.stamp(report, now).readings:
            assert reading.stamp == STAMP_DEVICE or abs(reading.time_ms - now) < 1000
            found.append(reading.stamp)
    return found


@pytest.mark.parametrize("back", [5 * 60_000, HOUR, 6 * HOUR, 72 * HOUR, 30 * DAY])
@pytest.mark.parametrize("every_s", [2, 10, 300, 3600])
@pytest.mark.parametrize("numbered", [False, True])
def test_a_device_clock_that_jumps_back_is_stamped_on_arrival(
    back: int, every_s: int, numbered: bool
) -> None:
    stamper = Stamper()
    every = every_s * 1000
    seq = 0 if numbered else -1
    assert stamps(stamper, every, 50, 0, NOW, seq) == [STAMP_DEVICE] * 50
    after = stamps(stamper, every, 50, -back, NOW + 50 * every, 50 if numbered else -1)
    # the first of them can be like an earlier report to the last letter
    assert after[-48:] == [STAMP_ARRIVAL] * 48 and len(after) >= (50 if numbered else 49)
    # and put right, it is believed at once: the twin
    right = stamps(stamper, every, 50, 0, NOW + 100 * every, 100 if numbered else -1)
    assert right == [STAMP_DEVICE] * 50


@pytest.mark.parametrize("behind", [HOUR, 3 * DAY, 30 * DAY])
def test_a_clock_that_is_behind_from_the_first_report_on(behind: int) -> None:
    found = stamps(Stamper(), 10_000, 40, -behind, NOW, 0)
    assert found[:2] == [STAMP_DEVICE] * 2 and found[2:] == [STAMP_ARRIVAL] * 38


def test_a_clock_that_has_stopped() -> None:
    stamper = Stamper()
    assert stamps(stamper, 10_000, 30, 0, NOW, 0) == [STAMP_DEVICE] * 30
    found = []
    for n in range(60):
        report = Report("hallway", 30 + n, [Record("temperature", 24.0 + n / 100, NOW + 300_000)])
        found.append(stamper.stamp(report, NOW + 300_000 + n * 10_000).readings[0].stamp)
    assert found[:13] == [STAMP_DEVICE] * 13 and found[15:] == [STAMP_ARRIVAL] * 45


@given(
    away_s=st.integers(130, 20 * 86_400),
    every_s=st.sampled_from([10, 60, 300]),
    gap_ms=st.sampled_from([0, 20, 500, 1500, 5000]),
    live_first=st.booleans(),
    beside=st.booleans(),
    known=st.booleans(),
)
def test_what_was_kept_while_nothing_could_be_sent_keeps_its_times(
    away_s: int, every_s: int, gap_ms: int, live_first: bool, beside: bool, known: bool
) -> None:
    """Store and forward, or a broker that waited for the collector; with live reports first or between."""
    clock = DeviceClock()
    every = every_s * 1000
    if known:
        for n in range(20):
            assert clock.believes(NOW - (20 - n) * every, NOW - (20 - n) * every)
    back = NOW + away_s * 1000
    arrived = back
    if live_first:
        assert clock.believes(arrived, arrived)
    count = min(away_s // every_s, 300)
    for n in range(count):
        arrived += min(gap_ms, every // 2)
        measured = NOW + n * every
        if arrived - measured <= 0:
            break
        assert clock.believes(measured, arrived)
        if beside and n % 5 == 0:
            assert clock.believes(arrived, arrived)


def test_a_kill_between_does_not_forget_that_a_clock_is_behind() -> None:
    stamper = Stamper()
    stamps(stamper, 10_000, 20, -3 * DAY, NOW, 0)
    disk = dict(stamper.save())
    found = stamps(Stamper.load(disk.get), 10_000, 20, -3 * DAY, NOW + HOUR, 20)
    assert found == [STAMP_ARRIVAL] * 20


@pytest.mark.parametrize("back", [HOUR, 72 * HOUR])
@pytest.mark.parametrize("every_ms", [100, 500, 900, 1000])
@pytest.mark.parametrize("late_ms", [0, 80])
def test_a_board_that_reports_every_second_or_faster_is_found_out_too(
    back: int, every_ms: int, late_ms: int
) -> None:
    """Its reports come as fast as what was kept, but they don't catch up; on the way some come later."""
    rng = random.Random(4)
    clock = DeviceClock()
    believed = []
    for n in range(600):
        said = NOW + n * every_ms
        off = -back if n >= 200 else 0
        believed.append(clock.believes(said + off, said + rng.randrange(late_ms + 1)))
    assert all(believed[:200])
    found_out = 200 + 11_000 // every_ms
    assert not any(believed[found_out:])
    # and put right, it is believed at once: the twin
    assert clock.believes(NOW + 600 * every_ms, NOW + 600 * every_ms)


@pytest.mark.parametrize(("measured_ms", "gap_ms"), [(1000, 20), (1000, 600), (500, 100), (10_000, 999)])
def test_what_a_fast_board_had_kept_is_believed_however_long_it_takes(measured_ms: int, gap_ms: int) -> None:
    clock = DeviceClock()
    assert clock.believes(NOW, NOW)
    arrived = NOW + 6 * HOUR
    for n in range(1, 6 * HOUR // measured_ms):
        arrived += gap_ms
        assert clock.believes(NOW + n * measured_ms, arrived)
        if arrived - NOW - n * measured_ms <= BEHIND_MS:
            break
    assert arrived - NOW - 6 * HOUR > 10_000  # it was a long rush
