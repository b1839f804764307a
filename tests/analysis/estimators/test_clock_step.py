"""Clocks that are put back or leap: nothing that stands is silenced for as long as they were ahead."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import RATIONALE, rationale_for
from rushlight.analysis.alarms.states import MAX_SHELF_MS
from rushlight.analysis.detectors.moment import Tank
from rushlight.analysis.detectors.power.silence import SilenceDetector
from rushlight.analysis.estimators.clock_step import moved_back
from rushlight.analysis.estimators.numbers import CLOCK
from rushlight.analysis.findings import Finding
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.replay.csv_rows import sound_times
from rushlight.analysis.replay.files import Replay
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.views.facts import age_text, collect_facts
from rushlight.analysis.views.status import status_lines
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.intake.senml import Record, Report
from rushlight.collector.intake.timing import Stamper
from rushlight.collector.readings import STAMP_ARRIVAL, STAMP_DEVICE, Reading
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z
SETTINGS = """
[tanks.hallway]
volume_litres = 54
timezone = "Europe/Lisbon"
report_every_s = 30
[tanks.hallway.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""
TWO = SETTINGS + SETTINGS.replace("hallway", "attic")
STEPS = [7 * MINUTE, HOUR, 6 * HOUR, 3 * DAY, 30 * DAY, 400 * DAY, 10 * 365 * DAY]
KEY = ("hallway", "temperature-high", "")


class World:
    """The service's listener with its own clock and the true time; `step` is how far the clock is off."""

    def __init__(self, path: Path, text: str = SETTINGS) -> None:
        self.path, self.text = path, text
        self.true = BEGAN
        self.step = 0
        self.count = 0
        self.water = 24.0
        self.boot()

    @property
    def now(self) -> int:
        return self.true + self.step

    def boot(self) -> None:
        parsed = parse_settings(self.text)
        self.store = EmbeddedStore(self.path, synchronous="OFF")
        self.notifier = Notifier(
            parsed.notices,
            environment={"RUSHLIGHT_NOTICE_URLS": "json://localhost/a"},
            clock=lambda: self.now,
            sender=self._sent,
        )
        self.sent: list[str] = getattr(self, "sent", [])
        self.live = LiveAnalysis(parsed, self.notifier, lambda: self.now)
        self.live.start(self.store, self.now)

    def _sent(self, url: str, title: str, body: str, priority: str, picture: Any = None) -> bool:
        self.sent.append(title)
        return True

    def restart(self) -> None:
        self.store.close()
        self.boot()

    def run(self, minutes: int, celsius: float | None = 24.0) -> None:
        """Half-minute reports stamped on arrival, or none; ticks and sending as the service does them."""
        for _ in range(minutes * 2):
            self.true += 30_000
            if celsius is not None:
                self.count += 1
                # warming as water does: what leaps is a thermometer in a cup
                self.water += min(max(celsius - self.water, -0.03), 0.03)
                value = self.water + self.count % 3 / 100
                batch = [Reading("hallway", "temperature", self.now, value, 1, self.count, STAMP_ARRIVAL)]
                self.live.take(batch, self.now)
                with self.store.transaction():
                    self.store.add_readings(batch)
            self.live.tick(self.now)
            with self.store.transaction():
                self.live.keep(self.store, self.now, False)
            self.live.kept(self.now)
            self.notifier.run_once(self.store, self.now)

    def standing(self, tank: str = "hallway") -> set[str]:
        return self.live.watches[tank].book.standing()

    def raised(self, alarm: str) -> int:
        return sum(e.alarm == alarm and e.event == "raised" for e in self.store.events())


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("restart", [False, True])
def test_a_clock_that_was_ahead_silences_nothing(tmp_path: Path, step: int, restart: bool) -> None:
    world = World(tmp_path / "a.db")
    world.run(60)
    world.step = step
    world.run(10)
    world.step = 0
    if restart:
        world.restart()
    world.run(10)
    world.sent.clear()
    world.run(120, 28.5)
    assert "temperature-high" in world.standing()
    assert any("28" in title or "warm" in title.lower() for title in world.sent), world.sent
    world.sent.clear()
    world.run(30, None)  # and its device falls silent
    assert "device-silent" in world.standing() and world.sent
    world.store.close()


@pytest.mark.parametrize("step", STEPS)
def test_a_clock_that_was_ahead_raises_nothing_by_itself(tmp_path: Path, step: int) -> None:
    """The twin: the same steps with nothing wrong, and no alarm comes of it."""
    world = World(tmp_path / "a.db")
    for offset in (0, step, 0, -step, 0):
        world.step = offset
        world.run(40)
        assert not world.standing(), offset
    assert [e.alarm for e in world.store.events()] == []
    world.run(240, 32.0)  # and the same clock with water that warms past its limit
    assert "temperature-high" in world.standing()
    world.store.close()


@pytest.mark.parametrize("step", STEPS)
def test_a_clock_put_back_from_the_beginning_is_followed(tmp_path: Path, step: int) -> None:
    world = World(tmp_path / "a.db")
    world.step = step
    world.run(120)
    world.step = 0
    world.run(5)
    world.run(120, 28.5)
    assert "temperature-high" in world.standing()
    world.store.close()


@pytest.mark.parametrize("step", STEPS)
def test_a_notice_queued_by_a_clock_that_was_ahead_and_its_reminders_still_come(
    tmp_path: Path, step: int
) -> None:
    world = World(tmp_path / "a.db")
    world.run(30)
    world.step = step
    world.run(120, 28.5)
    assert world.raised("temperature-high") == 1
    world.step = 0
    world.run(1, 28.5)
    world.sent.clear()
    world.run(20, 28.5)
    assert world.sent  # the reminder after fifteen minutes of the clock as it is now
    world.store.close()


def test_waiting_notices_keep_their_pauses_when_the_clock_is_put_back(tmp_path: Path) -> None:
    store = EmbeddedStore(tmp_path / "a.db", synchronous="OFF")

    def add(name: str, created: int, number: int = 0, not_before: int = 0) -> None:
        store.queue_notice(
            occurrence=name,
            transition="raised",
            target="t",
            title="",
            body="",
            priority="high",
            created_ms=created,
            number=number,
            not_before_ms=not_before,
        )

    add("ahead", BEGAN + DAY)
    add("asleep", BEGAN + DAY, not_before=BEGAN + DAY + 4 * HOUR)
    add("reminder", BEGAN + DAY, 1, BEGAN + DAY + 15 * MINUTE)
    add("tonight", BEGAN, not_before=BEGAN + 6 * HOUR)
    add("failed", BEGAN)
    failed = store.notices("failed")[0].id
    store.notice_failed(failed, BEGAN + DAY + MINUTE, "out of reach")
    assert store.follow_clock(BEGAN) == 4
    due = {n.occurrence: n.next_attempt_ms - BEGAN for n in store.pending_notices()}
    assert due == {"ahead": 0, "asleep": 0, "reminder": 15 * MINUTE, "tonight": 6 * HOUR, "failed": 0}
    assert store.follow_clock(BEGAN) == 0
    store.close()


# -- the book ---------------------------------------------------------------------------------------------


@settings(max_examples=200)
@given(
    alarm=st.sampled_from(sorted(RATIONALE)),
    moves=st.lists(
        st.tuples(st.sampled_from(["present", "absent", "tick"]), st.integers(1, 40)), max_size=12
    ),
    step=st.integers(-4 * 365 * DAY, 4 * 365 * DAY),
    through=st.booleans(),
)
def test_what_persists_is_raised_within_its_patience_after_a_step(
    alarm: str, moves: list[tuple[str, int]], step: int, through: bool
) -> None:
    book = AlarmBook("hallway")
    now = BEGAN

    def do(kind: str) -> list[str]:
        nonlocal book
        if through:
            book = AlarmBook.restore("hallway", "", book.to_bytes())
        if kind == "tick":
            return [e.event for e in book.tick(now)]
        finding = [Finding(alarm=alarm)] if kind == "present" else []
        return [e.event for e in book.update(finding, now)]

    for kind, minutes in moves:
        now += minutes * MINUTE
        do(kind)
    now += step
    if step < 0:
        book.put_back(now)
    patience = rationale_for(alarm).on_delay_s * 1000
    do("present")
    now += patience
    do("present")
    assert alarm in book.standing()
    assert str(book.records()["hallway", alarm, ""].state) == "unacknowledged"
    off = rationale_for(alarm).off_delay_s * 1000
    do("absent")
    now += off
    do("absent")
    assert alarm not in book.standing()


@settings(max_examples=100)
@given(
    for_ms=st.integers(1, MAX_SHELF_MS),
    spent=st.integers(0, MAX_SHELF_MS),
    step=st.integers(CLOCK.step_ms, 3 * 365 * DAY),
    ahead_first=st.booleans(),
)
def test_a_shelf_lasts_no_longer_than_was_asked(
    for_ms: int, spent: int, step: int, ahead_first: bool
) -> None:
    """Shelved before the clock leapt ahead, or by the clock that was ahead."""
    book = AlarmBook("hallway")
    book.update([Finding(alarm=KEY[1])], BEGAN)
    book.update([Finding(alarm=KEY[1])], BEGAN + 2 * MINUTE)
    now = BEGAN + 2 * MINUTE + (step if ahead_first else 0)
    book.shelve(KEY, now + for_ms, now, "ann")
    now += spent
    book.tick(now)
    now -= step
    book.put_back(now)
    left = max(0, for_ms - spent)
    known = ahead_first and spent < step  # that it was shelved by the clock that was ahead
    limit = left if known else min(MAX_SHELF_MS, left + step)
    book.tick(now + limit)
    assert str(book.records()[KEY].state) == "unacknowledged"


def test_no_occurrence_has_the_name_of_an_earlier_one_after_a_step_back() -> None:
    key = ("hallway", "power-interrupted", "")  # told of each time, however often it comes and goes
    book = AlarmBook("hallway")
    names = []
    now = BEGAN
    for step in (0, 30 * DAY, -30 * DAY, 0, -HOUR):
        now += step
        if step < 0:
            book.put_back(now)
        for minutes in (0, 2):
            found = book.update([Finding(alarm=key[1])], now + minutes * MINUTE)
            names += [e.occurrence for e in found if e.event == "raised"]
        record = book.records()[key]
        assert record.raised_ms is not None and record.raised_ms <= now + 2 * MINUTE
        for minutes in (3, 63):
            book.update([], now + minutes * MINUTE)
        now += 63 * MINUTE
    assert len(names) == len(set(names)) == 5


# -- frames and detectors ---------------------------------------------------------------------------------


class _Some(msgspec.Struct):
    since_ms: int
    times: list[int]
    value: float
    count: int
    inner: dict[str, list[int]]


def test_only_what_was_remembered_since_the_leap_moves() -> None:
    ahead = BEGAN + DAY
    some = _Some(BEGAN, [BEGAN, ahead, ahead + 5], 2.0e12, 40_000, {"a": [ahead + 7, -1]})
    assert moved_back(some, DAY, ahead) == _Some(
        BEGAN, [BEGAN, BEGAN, BEGAN + 5], 2.0e12, 40_000, {"a": [BEGAN + 7, -1]}
    )
    assert moved_back(some, DAY).since_ms == BEGAN - DAY


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    step=st.integers(CLOCK.step_ms + MINUTE, 700 * DAY),
    every_s=st.sampled_from([10, 60, 300]),
    stamp=st.sampled_from([STAMP_ARRIVAL, STAMP_DEVICE]),
    ahead=st.integers(0, 40),
)
@example(step=37_920_001, every_s=60, stamp=STAMP_ARRIVAL, ahead=2)  # no whole number of frames
def test_a_replay_follows_a_clock_that_was_put_back(step: int, every_s: int, stamp: int, ahead: int) -> None:
    watch = TankWatch("hallway", parse_settings(SETTINGS).tanks["hallway"])
    time_ms = BEGAN

    def feed(number: int, celsius: float, off: int) -> None:
        nonlocal time_ms
        for n in range(number):
            time_ms += every_s * 1000
            value = 24.0 + min(n * every_s / 1000, celsius - 24.0) + n % 3 / 100
            watch.feed(Reading("hallway", "temperature", time_ms + off, value, 1, -1, stamp))

    feed(60, 24.0, 0)
    feed(ahead, 24.0, step)
    feed(60 + 4 * 3_600 // every_s, 27.5, 0)
    assert "temperature-high" in watch.book.standing()


def test_what_a_device_had_kept_is_not_followed_where_there_is_a_clock() -> None:
    """Live reports go on, and sixty old ones come in one burst between them."""
    watch = TankWatch("hallway", parse_settings(SETTINGS).tanks["hallway"])
    watch.clocked = watch.state.frames.clocked = True
    for n in range(100):
        now = BEGAN + n * 30_000
        watch.follow_clock(now)
        watch.feed(Reading("hallway", "temperature", now, 24.0 + n % 3 / 100, 1), now)
    for n in range(200):
        watch.feed(Reading("hallway", "temperature", BEGAN - HOUR + n * 1000, 29.0, 1), now)
    assert watch.state.frames.start_ms > now - MINUTE
    assert watch.state.frames.late == 200 and not watch.book.standing()


# -- silence ----------------------------------------------------------------------------------------------


def test_a_tank_that_never_reported_is_noticed(tmp_path: Path) -> None:
    world = World(tmp_path / "a.db", TWO)
    world.run(19)
    assert world.standing("attic") == set()
    world.run(2)
    assert world.standing("attic") == {"device-silent"} and world.standing() == set()
    (event,) = [e for e in world.store.events() if e.event == "raised"]
    assert event.tank == "attic" and event.time == "2026-03-01T02:20:00Z"
    assert any("never" in line or "ever" in line for line in event.observations)
    assert len(world.sent) == 1
    reading = Reading("attic", "temperature", world.now, 24.0, 1)
    for n in range(80):  # and the first report ends it, after the alarm's own delay
        at = world.now + n * 30_000
        world.live.take([msgspec.structs.replace(reading, time_ms=at)], at)
        world.live.tick(at)
    assert world.standing("attic") == set()
    world.store.close()


def test_the_wait_for_a_first_report_goes_on_over_restarts(tmp_path: Path) -> None:
    world = World(tmp_path / "a.db", TWO)
    for _ in range(6):
        world.run(4)
        world.restart()
    world.run(4)
    assert world.standing("attic") == {"device-silent"}
    world.store.close()


def test_a_tank_added_to_the_settings_has_its_time_to_report(tmp_path: Path) -> None:
    world = World(tmp_path / "a.db")
    world.run(60)
    world.text = TWO
    world.restart()
    world.run(19)
    assert world.standing("attic") == set()
    world.run(2)
    assert world.standing("attic") == {"device-silent"}
    world.store.close()


@pytest.mark.parametrize(("every_s", "grace_s"), [(10, 60), (30, 60), (600, 1200)])
def test_after_a_long_downtime_a_device_has_two_reports_time(
    tmp_path: Path, every_s: int, grace_s: int
) -> None:
    text = SETTINGS.replace("report_every_s = 30", f"report_every_s = {every_s}")
    tank = Tank("hallway", parse_settings(text).tanks["hallway"])
    assert SilenceDetector.grace_ms(tank) == grace_s * 1000
    world = World(tmp_path / "a.db", text)
    world.run(60)
    world.true += 10 * DAY
    world.restart()
    began = world.now
    for second in range(5, grace_s + 5, 5):
        world.live.tick(began + second * 1000)
        assert ("device-silent" in world.standing()) is (second >= grace_s)
    world.store.close()


def test_a_leap_ahead_is_not_the_devices_silence(tmp_path: Path) -> None:
    world = World(tmp_path / "a.db")
    world.run(30)
    world.step = 40 * MINUTE
    world.run(30)
    assert world.store.events() == []
    world.run(22, None)  # but silence is, in the new time as in the old
    assert "device-silent" in world.standing()
    world.store.close()


def test_in_a_replay_a_device_whose_clock_is_days_behind_is_not_silent() -> None:
    parsed = parse_settings(TWO)

    def rows(until: int) -> list[tuple[int, str, str, float | None, bool]]:
        found: list[tuple[int, str, str, float | None, bool]] = []
        for n in range(600):
            at = BEGAN + n * MINUTE
            found.append((at, "hallway", "temperature", 24 + n % 3 / 100, False))
            if n < until:
                found.append((at - 3 * DAY, "attic", "temperature", 24 + n % 3 / 100, False))
        return found

    def events(until: int) -> list[tuple[str, str]]:
        replay = Replay(parsed, lambda _: None)
        return [(e.tank, e.alarm) for e in replay.events(sound_times(iter(rows(until)), lambda _: None))]

    assert events(600) == []
    assert events(300) == [("attic", "device-silent")]


# -- what is shown ----------------------------------------------------------------------------------------


def test_a_reading_from_the_future_is_never_just_now() -> None:
    assert age_text(-60_000) == "just now"  # a device may be so far ahead
    assert age_text(5_000) == "5 s ago"
    for ahead in (121_000, HOUR, 30 * DAY):
        assert "ahead of this computer's clock" in age_text(-ahead)
        assert "just now" not in age_text(-ahead) and "ago" not in age_text(-ahead)


def test_the_status_shows_what_is_now_not_what_a_clock_that_was_ahead_has_left(tmp_path: Path) -> None:
    world = World(tmp_path / "a.db")
    world.step = 30 * DAY
    world.run(5, 21.0)
    world.step = 0
    facts = collect_facts(parse_settings(SETTINGS), world.store, world.now).tanks[0]
    assert [age_text(r.age_ms) for r in facts.readings] == [
        "dated 30 days ahead of this computer's clock"
    ] or facts.readings[0].age_ms < -29 * DAY
    world.run(30)
    facts = collect_facts(parse_settings(SETTINGS), world.store, world.now).tanks[0]
    assert [r.age_ms for r in facts.readings] == [0]
    world.store.close()


def test_the_status_shows_a_tank_that_has_never_reported_and_a_device_whose_clock_is_behind(
    tmp_path: Path,
) -> None:
    world = World(tmp_path / "a.db", TWO)
    world.run(25)
    stamper = Stamper()
    for n in range(5):
        at = world.now + n * 10_000
        stamper.stamp(Report("hallway", n, [Record("temperature", 24.0, at - 3 * DAY)]), at)
    world.store.save_states([(kind, "hallway", blob) for kind, blob in stamper.save()])
    text = "\n".join(str(line) for line in status_lines(parse_settings(TWO), world.store, world.now))
    assert "device-silent" in text and "no report has ever come from it" in text
    assert "its device's clock is 3 days behind this computer's" in text
    world.store.close()
