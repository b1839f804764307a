"""collector/intake/timing.py: device time against arrival, report numbers, repeats over a restart."""

from __future__ import annotations

import random
import zlib

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.collector.intake.senml import Record, Report, decode_pack
from rushlight.collector.intake.stamper_state import Stamped
from rushlight.collector.intake.timing import Stamper
from rushlight.collector.readings import STAMP_ARRIVAL, STAMP_DEVICE

NOW = 1_772_330_400_000  # the contract's example, 2026-03-01T02:00:00Z
DAY = 86_400_000


def report(
    seq: int = -1, value: float = 24.0, time_ms: int | None = None, age_ms: int | None = None
) -> Report:
    return Report("hallway", seq, [Record("temperature", value, time_ms, age_ms)])


def restarted(stamper: Stamper, disk: dict[str, bytes] | None = None) -> Stamper:
    """As after kill -9: only what was committed is there."""
    disk = {} if disk is None else disk
    disk.update(stamper.save())
    return Stamper.load(disk.get)


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


def test_redelivered_number_of_the_last_boot_is_new_where_it_goes_on() -> None:
    """Killed before the commit; a long boot before had the same numbers with the same value."""
    stamper = Stamper()
    for one in [*(report(n, 24.0) for n in range(1500)), report(0, 24.5)]:
        assert stamper.stamp(one, NOW).readings
    for n in range(1, 300):
        assert stamper.stamp(report(n, 24.0), NOW + n).readings
    after = restarted(stamper)
    for n in range(300, 310):
        assert after.stamp(report(n, 24.0), NOW + 2000, redelivered=True).readings
    for n in range(300, 310):
        assert after.stamp(report(n, 24.0), NOW + 3000, redelivered=True).repeated
    assert (after.state.lost, after.state.rebooted) == (0, 1)


def test_redelivered_over_a_fresh_reboot_is_a_repeat() -> None:
    """Committed, then killed before the acknowledgement: the end of one boot and the start of the next."""
    stamper = Stamper()
    sent = [*(report(n, 24.0) for n in range(50)), report(0, 24.5), report(1, 24.0), report(2, 24.0)]
    for one in sent:
        assert stamper.stamp(one, NOW).readings
    after = restarted(stamper)
    for one in sent:
        assert after.stamp(one, NOW + 2000, redelivered=True).repeated


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


STEPS = [-400 * DAY, -DAY, -3_600_000, -90_000, 61_000, 601_000, 3_600_000, DAY, 400 * DAY]


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("redelivered", [False, True])
@pytest.mark.parametrize("timed", [False, True])
def test_a_repeat_is_one_whatever_the_clock_says(step: int, redelivered: bool, timed: bool) -> None:
    stamper, disk = Stamper(), dict[str, bytes]()
    sent = [report(n, 24 + n / 8, NOW + n if timed else None) for n in range(40)]
    for n, one in enumerate(sent):
        assert stamper.stamp(one, NOW + n).readings
    stamper = restarted(stamper, disk)
    for one in sent:
        assert stamper.stamp(one, NOW + step, redelivered).repeated
    assert stamper.stamp(report(40, 24.0, NOW + 40 if timed else None), NOW + step).readings
    assert (stamper.state.lost, stamper.state.rebooted) == (0, 0)


def test_remembers_more_than_a_broker_has_in_flight() -> None:
    stamper, disk = Stamper(), dict[str, bytes]()
    sent = [report(n, 24 + n % 7) for n in range(5000)]
    for n, one in enumerate(sent):
        stamper.stamp(one, NOW + n)
        if n % 97 == 0:
            stamper = restarted(stamper, disk)
    stamper = restarted(stamper, disk)
    assert all(stamper.stamp(one, NOW + 3 * DAY).repeated for one in sent[-2000:])


def test_a_save_is_small() -> None:
    """Hundreds of tanks are saved with each batch."""
    stamper = Stamper()
    for n in range(5000):
        stamper.stamp(report(n, 24 + n % 7), NOW + n)
        assert sum(len(blob) for _, blob in stamper.save()) < 1500
    assert sum(len(blob) for _, blob in stamper.save()) < 300


def test_state_of_an_older_store() -> None:
    """Fingerprints in a map, as they were saved until now: the same reports are repeats still."""
    fresh = Stamper()
    sent = [report(n, 24 + n / 8) for n in range(100, 160)]
    prints = {}
    for n, one in enumerate(sent):
        fresh.stamp(one, NOW + n)
        content = msgspec.msgpack.encode(one.records)
        prints[one.seq << 32 | zlib.crc32(content)] = NOW + n
    blob = msgspec.msgpack.encode({"seq": 159, "lost": 4, "recent": prints, "arrival_ms": 0})
    stamper = Stamper.load({"stamper": blob}.get)
    assert all(stamper.stamp(one, NOW + DAY).repeated for one in sent)
    assert stamper.state.lost == 4
    assert stamper.stamp(report(160, 20.0), NOW + DAY).readings
    assert stamper.stamp(report(0, 20.0), NOW + DAY).rebooted


def test_the_same_numbers_and_values_after_a_reboot_are_new() -> None:
    """A still tank and a coarse probe: the second boot says what the first did, but for its first report."""
    stamper = Stamper()
    for n in range(50):
        assert stamper.stamp(report(n, 24.0), NOW + 10_000 * n).readings
    assert stamper.stamp(report(0, 24.0625), NOW + 600_000).rebooted
    for n in range(1, 60):
        assert stamper.stamp(report(n, 24.0), NOW + 600_000 + 10_000 * n).readings
    assert stamper.state.lost == 0


def test_a_boot_that_says_the_same_as_the_last_one_is_known_by_its_pace() -> None:
    """A lamp that is off: 0 lx in each report of both boots. What is lost of the second is counted."""
    stamper, disk = Stamper(), dict[str, bytes]()
    for n in range(500):
        assert stamper.stamp(report(n, 0.0), NOW + 60_000 * n).readings
    began = NOW + 60_000 * 510
    taken = []
    for n in range(500):
        if n % 3 == 0:
            stamper = restarted(stamper, disk)
        taken += [n for _ in stamper.stamp(report(n, 0.0), began + 60_000 * n).readings]
    assert taken == list(range(taken[0], 500)) and taken[0] <= 5
    assert (stamper.state.rebooted, stamper.state.lost) == (1, taken[0])


def test_reports_sent_again_slowly_one_by_one_are_repeats_unless_all_keep_a_pace() -> None:
    stamper = Stamper()
    sent = [report(n, 0.0) for n in range(100)]
    for n, one in enumerate(sent):
        stamper.stamp(one, NOW + 10_000 * n)
    again = NOW + 1_200_000
    for n, one in enumerate(sent[60:]):  # one pause among each three: a slow line, not a board's pace
        assert stamper.stamp(one, again + 400 * n + 2000 * (n // 3)).repeated
    assert stamper.stamp(report(100, 0.0), again + 90_000).readings
    assert stamper.state.rebooted == 0


def test_a_killed_broker_that_hands_on_slowly_what_it_kept_makes_no_boot() -> None:
    """It writes each change to a slow disk, and does not say that it may have sent them before."""
    stamper = Stamper()
    for n in range(200):
        assert stamper.stamp(report(n, 20 + n / 100), NOW + 10_000 * n).readings
    again = NOW + 3_600_000
    for n in range(140, 200):
        assert stamper.stamp(report(n, 20 + n / 100), again + 1500 * (n - 140)).repeated
    assert stamper.stamp(report(200, 22.0), again + 100_000).readings
    assert (stamper.state.rebooted, stamper.state.lost) == (0, 0)
    # its twin: what begins near zero and keeps the pace is a boot
    for n in range(4):
        stamper.stamp(report(n, 20 + n / 100), again + 200_000 + 1500 * n)
    assert stamper.stamp(report(4, 20.04), again + 206_000).rebooted


def test_a_boot_like_the_last_one_that_is_heard_late_is_known_within_a_hundred_reports() -> None:
    stamper = Stamper()
    for n in range(500):
        stamper.stamp(report(n, 0.0), NOW + 10_000 * n)
    began = NOW + 10_000_000
    new = [n for n in range(100, 300) if stamper.stamp(report(n, 0.0), began + 10_000 * n).readings]
    assert new == list(range(new[0], 300)) and new[0] <= 200


@pytest.mark.parametrize(("every_s", "least_s"), [(60, 600), (300, 1200), (3600, 14_400)])
def test_a_board_that_reports_rarely_is_not_taken_for_silent_for_hours(every_s: int, least_s: int) -> None:
    """A coarse probe in still water, whose new boot is heard late: some minutes, or five reports."""
    stamper = Stamper()
    for n in range(500):
        stamper.stamp(report(n, 24.5), NOW + 1000 * every_s * n)
    began = NOW + 1000 * every_s * 600
    new = [n for n in range(100, 300) if stamper.stamp(report(n, 24.5), began + 1000 * every_s * n).readings]
    assert new == list(range(new[0], 300)) and (new[0] - 100) * every_s == least_s
    assert stamper.state.rebooted == 1


def test_a_clock_that_is_stepped_makes_no_boot_of_what_is_sent_again() -> None:
    stamper = Stamper()
    for n in range(200):
        stamper.stamp(report(n, 24.5), NOW + 10_000 * n)
    for n in range(100, 120):
        stepped = DAY * (n >= 103) + DAY * (n >= 110)
        assert stamper.stamp(report(n, 24.5), NOW + DAY + 1500 * n + stepped).repeated


def test_a_boot_that_begins_like_an_earlier_one_is_a_boot() -> None:
    stamper = Stamper()
    for value in (24.0, 24.0625, 24.0, 24.0625):
        first = stamper.stamp(report(0, value), NOW)
        assert first.readings
        assert stamper.stamp(report(0, value), NOW).repeated
        for n in range(1, 30):
            assert stamper.stamp(report(n, 24.0), NOW + n).readings
    assert stamper.state.rebooted == 3


def test_sent_again_after_the_broker_forgot_some() -> None:
    """A board without a clock sends its last 40 again at a new connection; 5 of them never came."""
    stamper = Stamper()
    sent = [report(n, 24 + n / 16) for n in range(200)]
    lost = {170, 171, 172, 173, 174}
    results = [stamper.stamp(one, NOW + n) for n, one in enumerate(sent) if n not in lost]
    assert stamper.state.lost == 5
    again = [stamper.stamp(one, NOW + 500) for one in sent[-40:]]
    assert [bool(r.readings) for r in again] == [n in lost for n in range(160, 200)]
    assert sum(r.lost for r in (*results, *again)) == stamper.state.lost == 0
    assert stamper.state.rebooted == 0
    assert stamper.stamp(report(200, 1.0), NOW + 600).lost == 0


_event = st.tuples(st.sampled_from(["send", "lose", "redeliver", "kill"]), st.integers(0, 30))


@given(st.lists(_event, max_size=60), st.booleans())
def test_model(events: list[tuple[str, int]], clock: bool) -> None:
    """A device that never reboots, a broker that repeats what was sent, a collector that is killed.

    Every report that arrived is kept exactly once, and lost is exactly the holes between the first and the
    last that arrived.
    """
    stamper, disk = Stamper(), dict[str, bytes]()
    now, seq = NOW, 0
    sent: list[Report] = []
    kept: list[int] = []
    for kind, number in events:
        now += 1000
        if kind == "kill":
            stamper = restarted(stamper, disk)
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


_chaos = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(["send", "forgotten", "kill", "kill before commit"]), st.just(0)),
        st.tuples(st.sampled_from(["again", "again, unmarked", "board sends again"]), st.integers(1, 40)),
        st.tuples(st.just("step"), st.sampled_from(STEPS)),
        st.tuples(st.just("reboot"), st.integers(0, 0)),
    ),
    max_size=80,
)


def _last_arrived(before: list[Report], arrived: list[Report], number: int) -> list[Report]:
    return [one for one in before if one in arrived][-number:]


def _not_in(arrived: list[Report], sent: list[Report]) -> list[Report]:
    return [one for one in sent if one not in arrived]


@given(_chaos, st.booleans(), st.integers(0, 2**32))
def test_each_report_once_in_any_chaos(events: list[tuple[str, int]], clock: bool, seed: int) -> None:
    """Clock steps, kills before and after the commit, redeliveries, a board that sends again, reboots.

    What was committed is kept once and with the key that it had at first; nothing that arrived is lost.
    """
    chance = random.Random(seed)
    disk: dict[str, bytes] = {}
    stamper = Stamper()
    clock_ms, real_ms, seq, boots = NOW, NOW, 0, 0
    arrived: list[Report] = []  # what the broker has handed on at least once
    boot: list[Report] = []  # what the board remembers
    store: dict[tuple[float | None, ...], list[tuple[int, int]]] = {}

    def take(one: Report, redelivered: bool, commit: bool = True) -> None:
        nonlocal stamper
        result = stamper.stamp(one, clock_ms, redelivered)
        if not commit:
            stamper = Stamper.load(disk.get)
            return
        disk.update(stamper.save())
        for reading in result.readings:
            store.setdefault((reading.value,), []).append((reading.time_ms, reading.seq))

    for kind, number in events:
        clock_ms, real_ms = clock_ms + 1000, real_ms + 1000
        if kind == "step":
            clock_ms = real_ms + number
        elif kind == "kill":
            stamper = Stamper.load(disk.get)
        elif kind == "reboot" and boot:
            seq, boots, boot = 0, boots + 1, []
        elif kind in ("again", "again, unmarked"):
            for one in _last_arrived(boot if kind == "again, unmarked" else arrived, arrived, number):
                take(one, kind == "again")
        elif kind == "board sends again":
            arrived += _not_in(arrived, boot[-number:])
            for one in boot[-number:]:
                take(one, False)
        elif kind in ("send", "forgotten", "kill before commit"):
            value = 1000.0 * boots + seq + chance.random() / 2
            one = report(seq, value, real_ms if clock else None)
            seq += 1
            boot.append(one)
            if kind == "forgotten" and any(before in arrived for before in boot[:-1]):
                continue  # not a boot's very first: what was before it can't be told from a reboot
            if kind == "kill before commit":
                take(one, False, commit=False)
                take(one, True)  # not acknowledged, so it comes again
            else:
                take(one, False)
            arrived.append(one)
    wanted = {(one.records[0].value,) for one in arrived}
    assert store.keys() == wanted
    assert all(len(keys) == 1 for keys in store.values())


def unnumbered(value: float) -> Report:
    return Report("hallway", -1, [Record("temperature", value)])


def test_a_report_never_committed_is_not_taken_for_an_earlier_one_that_said_the_same() -> None:
    stamper = Stamper()
    for identifier in range(1, 101):
        assert stamper.stamp(unnumbered(24.0), NOW + identifier, packet=("broker:1883", identifier)).readings
    after = restarted(stamper)
    for identifier in range(91, 101):  # committed, not acknowledged
        assert after.stamp(unnumbered(24.0), NOW + DAY, True, ("broker:1883", identifier)).repeated
    for identifier in range(101, 111):  # the same again, but never committed
        assert after.stamp(unnumbered(24.0), NOW + DAY, True, ("broker:1883", identifier)).readings
    # another broker has identifiers of its own
    assert after.stamp(unnumbered(24.0), NOW + DAY, True, ("other:1883", 95)).readings
    # and one that was given out again long after is not the one of then
    for identifier in range(111, 1300):
        assert after.stamp(unnumbered(20 + identifier / 8), NOW, packet=("broker:1883", identifier)).readings
    assert after.stamp(unnumbered(24.0), NOW + DAY, True, ("broker:1883", 105)).readings


@given(
    st.lists(st.tuples(st.sampled_from(["send", "commit", "kill", "kill first"]), st.integers(1, 5))),
    st.booleans(),
)
def test_a_broker_with_a_board_without_numbers_loses_nothing(
    moves: list[tuple[str, int]], counting: bool
) -> None:
    """Identifiers that count up (as Mosquitto's do), or the lowest that is free; kills around the commit.

    Every report that was sent is kept; with identifiers that count up, once, as soon as some are known.
    """
    stamper, disk = Stamper(), dict[str, bytes]()
    flight: dict[int, float] = {}  # at the broker, not acknowledged
    taken: list[tuple[int, bool]] = []  # by the collector, not committed
    kept: list[float] = []
    sent: list[float] = []
    last = 0
    now = NOW

    def commit(acknowledge: bool) -> None:
        for identifier, again in taken:
            result = stamper.stamp(unnumbered(flight[identifier]), now, again, ("b", identifier))
            kept.extend(reading.value or 0.0 for reading in result.readings)
        disk.update(stamper.save())
        if acknowledge:
            for identifier in {identifier for identifier, _ in taken}:
                del flight[identifier]
            taken.clear()

    def killed() -> None:
        nonlocal stamper
        stamper = Stamper.load(disk.get)
        taken[:] = [(identifier, True) for identifier in flight]

    before = [("send", 1), ("commit", 1)] * 20
    for kind, number in [*before, *moves]:
        now += 1000
        if kind == "send":
            for _ in range(number):
                last = last + 1 if counting else min(set(range(1, 200)) - flight.keys(), default=200)
                value = 24.0 + len(sent) // 7 % 3
                flight[last] = value
                taken.append((last, False))
                sent.append(value)
        elif kind == "commit":
            commit(True)
        elif kind == "kill":
            commit(False)  # and killed before the acknowledgement
            killed()
        else:
            for identifier, again in taken:  # judged, not committed
                stamper.stamp(unnumbered(flight[identifier]), now, again, ("b", identifier))
            killed()
    commit(True)
    for value in set(sent):
        if counting:
            assert kept.count(value) == sent.count(value)
        else:
            assert kept.count(value) >= sent.count(value)
