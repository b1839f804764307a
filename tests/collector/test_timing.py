"""collector/timing.py: device time against arrival, report numbers, repeats over a restart."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.readings import STAMP_ARRIVAL, STAMP_DEVICE
from collector.timing import Stamped, Stamper, StamperState
from collector.wire import Record, Report, decode_pack

NOW = 1_772_330_400_000  # the contract's example, 2026-03-01T02:00:00Z
DAY = 86_400_000


def report(
    seq: int = -1, value: float = 24.0, time_ms: int | None = None, age_ms: int | None = None
) -> Report:
    return Report("hallway", seq, [Record("temperature", value, time_ms, age_ms)])


def restarted(stamper: Stamper) -> Stamper:
    """As after kill -9: only what was committed is there."""
    blob = msgspec.msgpack.encode(stamper.state)
    return Stamper(msgspec.msgpack.decode(blob, type=StamperState))


def test_plausible_device_time_is_used() -> None:
    for time in (NOW, NOW - 3 * DAY, NOW + 119_000):
        (reading,) = Stamper().stamp(report(time_ms=time), NOW).readings
        assert (reading.time_ms, reading.stamp) == (time, STAMP_DEVICE)


@pytest.mark.parametrize(
    "time",
    [None, 0, 1_000_000, 1_577_836_799_999, NOW + 121_000, NOW - 32 * DAY, 2**53, -(2**53)],
    ids=["none", "1970", "boot clock", "2019", "future", "old", "far", "far back"],
)
def test_implausible_time_is_stamped_on_arrival(time: int | None) -> None:
    stamper = Stamper()
    (reading,) = stamper.stamp(report(time_ms=time), NOW).readings
    assert (reading.time_ms, reading.stamp) == (NOW, STAMP_ARRIVAL)
    assert stamper.state.stamped_on_arrival == 1


def test_limits_are_2020_and_two_minutes() -> None:
    early = 1_577_836_800_000  # 2020-01-01T00:00:00Z
    (reading,) = Stamper().stamp(report(time_ms=early), early + DAY).readings
    assert reading.time_ms == early
    (reading,) = Stamper().stamp(report(time_ms=NOW + 120_000), NOW).readings
    assert reading.stamp == STAMP_DEVICE


def test_relative_time_counts_from_arrival() -> None:
    pack = decode_pack(b'[{"bn":"a/","n":"ph","v":7,"t":-30},{"n":"light","v":5}]')
    readings = Stamper().stamp(pack, NOW).readings
    assert [r.time_ms for r in readings] == [NOW - 30_000, NOW]
    assert {r.stamp for r in readings} == {STAMP_ARRIVAL}


def test_wrong_clock_keeps_distances() -> None:
    pack = Report("a", 0, [Record("ph", 7.0, 5_000_000), Record("ph", 7.1, 5_060_000)])
    readings = Stamper().stamp(pack, NOW).readings
    assert [r.time_ms for r in readings] == [NOW - 60_000, NOW]


def test_numbers() -> None:
    stamper = Stamper()
    results = [stamper.stamp(report(n, n), NOW + 10_000 * n) for n in (5, 6, 9, 10)]
    assert [r.lost for r in results] == [0, 0, 2, 0]
    assert (stamper.state.lost, stamper.state.repeated, stamper.state.rebooted) == (2, 0, 0)
    again = stamper.stamp(report(10, 10), NOW + 100_500)
    assert again == Stamped([], 0, True, False)
    boot = stamper.stamp(report(0, 24.2), NOW + 120_000)
    assert boot.rebooted
    assert boot.readings
    assert not stamper.stamp(report(1, 24.2), NOW + 130_000).rebooted
    assert (stamper.state.lost, stamper.state.repeated, stamper.state.rebooted) == (2, 1, 1)


def test_reboot_with_the_first_reports_lost() -> None:
    stamper = Stamper()
    stamper.stamp(report(500), NOW)
    boot = stamper.stamp(report(3), NOW + 60_000)
    assert (boot.rebooted, boot.lost) == (True, 3)


def test_boot_loop_is_seen() -> None:
    """A device that never gets past report 0, each time with another value."""
    stamper = Stamper()
    results = [stamper.stamp(report(0, 24 + n / 16), NOW + 20_000 * n) for n in range(5)]
    assert [r.rebooted for r in results] == [False, True, True, True, True]
    assert all(r.readings for r in results)


def test_late_report_by_its_own_time() -> None:
    stamper = Stamper()
    stamper.stamp(report(100, time_ms=NOW), NOW)
    stamper.stamp(report(102, time_ms=NOW + 20_000), NOW + 20_000)
    assert stamper.state.lost == 1
    late = stamper.stamp(report(101, time_ms=NOW + 10_000), NOW + 21_000)
    assert late.readings
    assert not late.rebooted
    assert stamper.state.lost == 0
    assert stamper.stamp(report(103, time_ms=NOW + 30_000), NOW + 30_000).lost == 0


def test_killed_between_commit_and_acknowledgement() -> None:
    """No base time: the redelivered pack would get another time of arrival and be a second row."""
    stamper = Stamper()
    kept = [stamper.stamp(report(n, 24 + n / 100), NOW + n * 10_000) for n in range(50, 60)]
    assert all(k.readings for k in kept)
    after = restarted(stamper)
    hours = 5 * 3_600_000  # however long the collector was away
    for n in range(55, 60):
        assert after.stamp(report(n, 24 + n / 100), NOW + hours, redelivered=True).repeated
    new = after.stamp(report(60, 24.6), NOW + hours + 1, redelivered=False)
    assert new.readings
    assert (new.lost, new.rebooted) == (0, False)


def test_killed_before_the_commit_loses_nothing() -> None:
    """Redelivered, but the commit never was: it must be taken in."""
    stamper = Stamper()
    stamper.stamp(report(7), NOW)
    after = restarted(stamper)
    assert after.stamp(report(8, 24.1), NOW + 10_000, redelivered=True).readings


def test_redelivered_new_boot_with_an_old_number_is_new() -> None:
    stamper = Stamper()
    stamper.stamp(report(0, 24.0), NOW)
    assert stamper.stamp(report(0, 23.5), NOW + 30_000, redelivered=True).readings


def test_redelivered_without_number_and_time() -> None:
    stamper = Stamper()
    stamper.stamp(report(value=24.0), NOW)
    after = restarted(stamper)
    assert after.stamp(report(value=24.0), NOW + 5000, redelivered=True).repeated
    assert after.stamp(report(value=24.0), NOW + 6000, redelivered=False).readings
    assert after.stamp(report(value=24.1), NOW + 7000, redelivered=True).readings


def test_two_unnumbered_reports_in_one_millisecond_stay_two() -> None:
    stamper = Stamper()
    times = [stamper.stamp(report(value=v), NOW).readings[0].time_ms for v in (1.0, 2.0, 3.0)]
    assert times == [NOW, NOW + 1, NOW + 2]


_event = st.tuples(st.sampled_from(["send", "lose", "redeliver", "kill"]), st.integers(0, 30))


@given(st.lists(_event, max_size=60), st.booleans())
def test_model(events: list[tuple[str, int]], clock: bool) -> None:
    """A device that never reboots, a broker that repeats what was sent, a collector that is killed.

    Every report that arrived is kept exactly once, and lost is exactly the holes between the first and the
    last that arrived.
    """
    stamper = Stamper()
    now, seq = NOW, 0
    sent: list[Report] = []
    kept: list[int] = []
    for kind, number in events:
        now += 1000
        if kind == "kill":
            stamper = restarted(stamper)
        elif kind == "redeliver":
            if sent:
                old = sent[max(0, len(sent) - 1 - number)]
                result = stamper.stamp(old, now, redelivered=True)
                assert result.repeated
        else:
            new = report(seq, 20 + seq / 8, now if clock else None)
            seq += 1
            if kind == "send":
                sent.append(new)
                kept.extend(r.seq for r in stamper.stamp(new, now).readings)
    assert kept == [r.seq for r in sent]
    assert stamper.state.rebooted == 0
    if sent:
        assert stamper.state.lost == sent[-1].seq - sent[0].seq + 1 - len(sent)


@given(st.lists(st.tuples(st.integers(-1, 40), st.integers(0, 3), st.none() | st.integers(-(2**53), 2**53))))
def test_anything_goes(arrivals: list[tuple[int, int, int | None]]) -> None:
    stamper = Stamper()
    now = NOW
    for seq, value, time in arrivals:
        now += 500
        result = stamper.stamp(report(seq, value, time), now)
        assert result.repeated == (not result.readings)
        for reading in result.readings:
            assert now - 31 * DAY <= reading.time_ms <= now + 120_000
        assert stamper.state.lost >= 0
        assert len(stamper.state.recent) <= 1024
