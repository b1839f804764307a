"""A calibration that is due: one low notice, no alarm."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.service import calibration_reminders
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.collector.errors import StoreError
from rushlight.collector.settings import parse_settings
from rushlight.collector.settings.tables import CalibrationPoint
from rushlight.collector.store.calibration import Calibration
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
NIGHT = 1_772_330_400_000  # 2026-03-01T02:00Z
NOON = NIGHT + 10 * HOUR
TOML = """
[notices]
quiet_from = "23:00"
quiet_to = "07:00"
[tanks.loft]
title = "Up in the loft"
volume_litres = 80
timezone = "UTC"
[tanks.loft.livestock]
temperature_low_c = 20
temperature_high_c = 27
[tanks.barn]
volume_litres = 40
timezone = "UTC"
[tanks.barn.livestock]
temperature_low_c = 15
temperature_high_c = 27
"""


class Running:
    """The live analysis and its sender by a clock that the test moves."""

    def __init__(self, path: Path) -> None:
        self.path, self.now = path, NOON
        self.sent: list[tuple[str, str, str]] = []  # title, body, priority
        self.well: list[bool] = []
        self.takes = True
        self.boot()

    def boot(self) -> None:
        parsed = parse_settings(TOML)
        self.store = EmbeddedStore(self.path, synchronous="OFF")
        self.notifier = Notifier(
            parsed.notices,
            environment={"RUSHLIGHT_NOTICE_URLS": "json://127.0.0.1:9/a"},
            clock=lambda: self.now,
            timezone="UTC",
            tanks=parsed.tanks,
            sender=self._take,
        )
        self.notifier.heartbeat.beat = lambda _, is_well: self.well.append(is_well())  # type: ignore[method-assign,assignment,return-value,func-returns-value]
        self.live = LiveAnalysis(parsed, self.notifier, lambda: self.now)
        self.live.start(self.store, self.now)

    def _take(self, url: str, title: str, body: str, priority: str, picture: Any = None) -> bool:
        if self.takes:
            self.sent.append((title, body, priority))
        return self.takes

    def restart(self) -> None:
        self.store.close()
        self.boot()

    def goes_on(self, until_ms: int, step_ms: int = HOUR) -> int:
        """Until that time, a look at each step and at each tank; how many notices were taken since."""
        before = len(self.sent)
        while True:
            for _ in range(2):
                self.live.poll(self.store, self.now)
            if self.live.wants(self.now):
                with self.store.transaction():
                    self.live.keep(self.store, self.now, False)
                self.live.kept(self.now)
            self.notifier.run_once(self.store, self.now)
            if self.now >= until_ms:
                return len(self.sent) - before
            self.now = min(self.now + step_ms, until_ms)

    def calibrated(self, at_ms: int, by_points: bool = True, tank: str = "loft") -> LogEntry:
        points = (CalibrationPoint(ph=7.0, mv=0.0), CalibrationPoint(ph=4.0, mv=177.0))
        found = Calibration(quantity="ph_probe", points=points) if by_points else None
        entry = LogEntry(tank=tank, time_ms=at_ms, calibration=found, done=("calibrated",))
        return self.store.add_log(entry, "me", self.now)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    made = Running(tmp_path / "rushlight.db")
    yield made
    made.store.close()


def test_one_low_notice_when_it_becomes_due(running: Running) -> None:
    """A calibration alone is due after 31 days."""
    running.calibrated(NOON)
    due = NOON + 31 * DAY
    assert running.goes_on(due - HOUR) == 0
    assert running.goes_on(due + 13 * DAY) == 1
    ((title, body, priority),) = running.sent
    assert (title, priority) == ("LOW: Up in the loft: the pH electrode is due to be calibrated", "low")
    assert "rushlight calibrate loft ph" in body.partition("\n")[0]
    assert "unplug at the wall" in body and "after 14 days" in body and "Alarm:" not in body
    assert running.store.events() == [] and set(running.well) == {True}
    assert running.goes_on(due + 14 * DAY + HOUR) == 1  # and again, as nobody calibrated it
    assert running.goes_on(due + 27 * DAY) == 0


def test_not_after_calibration_and_again_when_that_is_due(running: Running) -> None:
    running.calibrated(NOON)
    assert running.goes_on(NOON + 32 * DAY) == 1
    running.calibrated(running.now)
    assert running.goes_on(NOON + 63 * DAY - HOUR) == 0
    assert running.goes_on(NOON + 63 * DAY) == 1


@pytest.mark.parametrize("by_points", [True, False])
def test_who_never_calibrated_is_not_reminded(running: Running, by_points: bool) -> None:
    running.store.add_log(LogEntry(tank="loft", time_ms=NOON, tests={"kh": 4.0}), "me", NOON)
    running.calibrated(NOON, by_points, "barn")
    assert running.goes_on(NOON + 40 * DAY) == 1
    ((title, body, _),) = running.sent
    assert title.startswith("LOW: barn: ")
    how = "rushlight calibrate barn ph" if by_points else "rushlight note barn --calibrated"
    assert how in body.partition("\n")[0]


def test_it_is_not_doubled_by_restarts(running: Running) -> None:
    running.calibrated(NOON)
    running.goes_on(NOON + 31 * DAY - HOUR)
    sent = 0
    for hours in range(8):
        running.restart()
        sent += running.goes_on(NOON + 31 * DAY + hours * HOUR, MINUTE)
    assert sent == 1


def test_what_was_not_sent_before_a_restart_is_sent_after_it(running: Running) -> None:
    running.calibrated(NOON)
    running.takes = False
    assert running.goes_on(NOON + 31 * DAY) == 0
    (waits,) = running.store.pending_notices()
    running.restart()
    running.takes = True
    assert running.goes_on(NOON + 31 * DAY + 2 * HOUR) == 1
    assert running.store.notices(waits.occurrence)[0].delivered_ms is not None


def test_it_waits_in_quiet_hours(running: Running) -> None:
    running.calibrated(NIGHT)
    assert running.goes_on(NIGHT + 31 * DAY + 4 * HOUR) == 0
    assert len(running.store.pending_notices()) == 1
    running.restart()
    assert running.goes_on(NIGHT + 31 * DAY + 5 * HOUR - MINUTE) == 0  # 06:59
    assert running.goes_on(NIGHT + 31 * DAY + 5 * HOUR) == 1


def test_what_failing_has_pushed_into_quiet_hours_waits_too(running: Running) -> None:
    running.calibrated(NOON)
    running.takes = False
    assert running.goes_on(NOON + 31 * DAY + 12 * HOUR) == 0  # midnight
    running.takes = True
    assert running.goes_on(NOON + 31 * DAY + 19 * HOUR - MINUTE) == 0
    assert running.goes_on(NOON + 31 * DAY + 20 * HOUR) == 1


def test_one_that_waits_is_taken_back_by_a_calibration(tmp_path: Path) -> None:
    for calibrates in (True, False):
        one = Running(tmp_path / f"{calibrates}.db")
        one.calibrated(one.now)
        one.now = NIGHT + 32 * DAY
        one.goes_on(one.now + HOUR)
        assert len(one.store.pending_notices()) == 1
        if calibrates:
            one.calibrated(one.now)
        assert one.goes_on(one.now + 8 * HOUR) == (0 if calibrates else 1)
        assert one.store.pending_notices() == []
        one.store.close()


def test_a_round_that_can_t_be_written_sends_it_with_the_next(running: Running) -> None:
    running.calibrated(NOON)
    running.now = NOON + 31 * DAY
    for _ in range(2):
        running.live.poll(running.store, running.now)
    for _ in range(2):
        assert running.live.wants(running.now)
        with pytest.raises(ZeroDivisionError), running.store.transaction():
            running.live.keep(running.store, running.now, False)
            raise ZeroDivisionError
    assert running.store.pending_notices() == []
    assert running.goes_on(running.now + DAY) == 1


def test_what_fails_here_stops_nothing_else(
    running: Running, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise StoreError("a page of the file can't be read")

    running.calibrated(NOON)
    with monkeypatch.context() as patch:
        patch.setattr(calibration_reminders, "_look_at", broken)
        with caplog.at_level(logging.WARNING):
            assert running.goes_on(NOON + 31 * DAY) == 0
    assert "loft: can't see whether a calibration is due" in caplog.text
    assert running.goes_on(NOON + 31 * DAY + HOUR) == 1


def test_a_reminder_that_no_target_takes_stops_no_heartbeat(running: Running) -> None:
    running.calibrated(NOON)
    running.takes = False
    running.goes_on(NOON + 33 * DAY)
    assert len(running.store.pending_notices()) == 1 and set(running.well) == {True}
    running.notifier.queue_test(running.store, running.now)
    running.goes_on(running.now + DAY)
    assert running.well[-1] is False
