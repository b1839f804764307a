"""When old days are packed and what is dropped, by a clock that the test moves."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.collector.errors import StoreError
from rushlight.collector.intake.arrivals import Waiting
from rushlight.collector.intake.batch import Arrival
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.log import ClearLog
from rushlight.collector.readings import Reading
from rushlight.collector.service import day_files
from rushlight.collector.service.day_files import Packing
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.service.test_service import SETTINGS

DAY = 86_400_000
NOW = 20_500 * DAY
TEN_MINUTES = 600_000


class Bench:
    """A store of which the test says how many helpings there are, and how long each takes."""

    def __init__(self, path: Path, monkeypatch: pytest.MonkeyPatch, keep_days: str = "") -> None:
        self.passed_s = 1000.0
        self.helping_s = 0.02
        self.left = 0
        self.made: list[dict[str, Any]] = []
        self.error: Exception | None = None
        self.stop = threading.Event()
        self.waiting = Waiting()
        self.store = EmbeddedStore(path, synchronous="OFF")
        settings = parse_settings(SETTINGS + keep_days).store
        log = logging.getLogger("rushlight.collector")
        self.packing = Packing(self.store, settings, ClearLog(log, lambda: NOW), self.stop, self.waiting)
        self.real = self.store.compact
        monkeypatch.setattr(day_files, "time", SimpleNamespace(monotonic=lambda: self.passed_s))
        monkeypatch.setattr(self.store, "compact", self._compact)

    def _compact(self, now: int, **more: Any) -> Any:
        self.passed_s += self.helping_s
        self.made.append(more)
        if self.error is not None:
            raise self.error
        self.left -= 1
        return SimpleNamespace(more=self.left > 0)

    def go_on(self, now: int = NOW, busy: bool = False) -> int:
        """How many helpings it has made."""
        before = len(self.made)
        self.packing.go_on(now, busy)
        return len(self.made) - before


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    made = Bench(tmp_path / "rushlight.db", monkeypatch)
    yield made
    made.store.close()


def test_every_ten_minutes_it_is_looked_for_old_days_also_by_a_clock_that_was_put_back(bench: Bench) -> None:
    assert bench.packing.is_due(NOW)
    assert bench.go_on() == 1
    for later, due in ((0, False), (1, False), (TEN_MINUTES - 1, False), (TEN_MINUTES, True), (-1, True)):
        assert bench.packing.is_due(NOW + later) is due
    bench.left = 100
    bench.go_on(NOW + DAY)
    assert bench.packing.is_due(NOW + DAY)  # there is more


def test_while_it_is_quiet_it_goes_on_for_a_quarter_of_a_second(bench: Bench) -> None:
    bench.left = 100
    bench.helping_s = 0.0625
    assert bench.go_on() == 4
    assert bench.go_on() == 4  # and on at the next round
    bench.left = 2
    assert bench.go_on() == 2
    assert bench.store.get_meta("compacted-at") == str(NOW)


def test_what_has_come_goes_first(bench: Bench) -> None:
    bench.left = 100
    bench.waiting.put(Arrival(0, Delivery("hand", "t", b"", NOW)), bench.stop)
    assert bench.go_on() == 0
    bench.waiting.get_nowait()
    assert bench.go_on() > 0
    bench.stop.set()
    assert bench.go_on() == 0


def test_while_readings_come_in_it_takes_a_tenth_of_the_time(bench: Bench) -> None:
    bench.left = 100
    bench.helping_s = 0.5
    assert bench.go_on(busy=True) == 1
    bench.passed_s += 4.75
    assert bench.go_on(busy=True) == 0
    bench.passed_s += 0.25
    assert bench.go_on(busy=True) == 1  # ten times as long as the one before has taken
    # what waits is no reason then: something does always
    bench.waiting.put(Arrival(0, Delivery("hand", "t", b"", NOW)), bench.stop)
    assert bench.go_on(busy=True) == 0
    bench.passed_s += 5
    assert bench.go_on(busy=True) == 1


def test_a_store_that_refuses_puts_it_off(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    bench.left = 100
    bench.error = StoreError("no room")
    assert bench.go_on() == 1
    assert "packing old days is put off" in caplog.text
    assert not bench.packing.is_due(NOW + TEN_MINUTES - 1)
    assert bench.store.get_meta("compacted-at") is None


def test_one_day_of_one_series_at_a_time_and_nothing_dropped_before_its_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path / "rushlight.db", monkeypatch, "[store]\nkeep_days = { light = 3 }\n")
    bench.store.add_readings([Reading("hallway", "light", NOW - 10 * DAY, 5.0, 1, 1)])
    bench.go_on()
    # the service was off for long: dropping lags behind the clock, packing does not
    lag = 8  # two days behind the newest reading, at first
    assert bench.made == [{"keep_days": {"light": 3.0 + lag}, "limit": 1}]
    bench.store.close()


def test_notices_are_forgotten_after_ninety_days(bench: Bench) -> None:
    """Counted by the time that is sure to have passed, not by a clock that has leapt."""
    bench.store.add_readings([Reading("hallway", "light", NOW, 5.0, 1, 1)])
    for age in (90 * DAY, 90 * DAY + 1):
        name = f"hallway/light-missing/{age}"
        bench.store.queue_notice(
            occurrence=name, transition="raised", target="a", title="t", body="b", priority="low",
            created_ms=NOW - age,
        )  # fmt: skip
        bench.store.notice_delivered(bench.store.notices(name)[0].id, NOW)
    bench.left = 2
    bench.helping_s = 1.0
    bench.go_on()
    assert len(bench.store.notices(f"hallway/light-missing/{90 * DAY + 1}")) == 1  # there is more to pack
    bench.go_on()
    assert bench.store.notices(f"hallway/light-missing/{90 * DAY + 1}") == []
    assert len(bench.store.notices(f"hallway/light-missing/{90 * DAY}")) == 1
