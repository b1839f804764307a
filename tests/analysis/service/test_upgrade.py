"""An upgrade that changes what is saved: the tank is not blind, and nothing is said twice or lost."""

from __future__ import annotations

import logging
import math
import shutil
import sqlite3
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.returns import Returns
from rushlight.analysis.alarms.states import AlarmRecord
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.collector.errors import SettingsError, StoreError
from rushlight.collector.intake.quality import QualityChecker
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings
from rushlight.collector.settings.tables import LOOK_BACK_DAYS
from rushlight.simulator.scene import SCENE
from tests.analysis.service.test_live import Service

TANK = SCENE.tank
FAULT = next(chapter for chapter in SCENE.chapters if chapter.expected_alarm == "heater-not-heating")
MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS


class Upgraded(Service):
    """A service whose clock is the newest reading's, begun before it."""

    def __init__(self, path: Path, text: str, now_ms: int) -> None:
        self.path, self.text, self.now = path, text, now_ms
        self.boot()

    def beliefs(self) -> dict[str, float]:
        return self.live.watches[TANK].beliefs()

    def notices(self) -> list[tuple[str, str]]:
        return [(n.occurrence, n.transition) for n in self.store.pending_notices()]


def alter(path: Path, key: str = TANK, book: bytes | None = None) -> None:
    """As a version with other fields would have left the snapshot; its alarms too, where some are given."""
    with sqlite3.connect(path) as db:
        (blob,) = db.execute("SELECT blob FROM states WHERE kind = 'analysis' AND key = ?", (key,)).fetchone()
        state, saved_book = msgspec.msgpack.decode(blob, type=tuple[bytes, bytes])
        older = msgspec.msgpack.decode(zlib.decompress(state)) | {"version": 1}
        blob = msgspec.msgpack.encode([msgspec.msgpack.encode(older), saved_book if book is None else book])
        db.execute("UPDATE states SET blob = ? WHERE kind = 'analysis' AND key = ?", (blob, key))
    db.close()


def feed(service: Service, readings: list[Reading]) -> None:
    for at in range(0, len(readings), 40):  # ten reports of four probes
        service.give([msgspec.structs.replace(one) for one in readings[at : at + 40]])


@pytest.fixture(scope="module")
def scene_readings() -> list[Reading]:
    """The scene until 50 minutes after its heater has died, flagged."""
    quality, found = QualityChecker(), []
    for seq, report in enumerate(SCENE.play()):
        if report.time_ms >= FAULT.start_ms + 50 * MINUTE_MS:
            break
        for quantity, value in report.values:
            one = Reading(TANK, quantity, report.time_ms, value, 1, seq)
            quality.flag(one)
            found.append(one)
    return found


@pytest.fixture(scope="module")
def six_days(tmp_path_factory: pytest.TempPathFactory, scene_readings: list[Reading]) -> Path:
    """The store of a service that was stopped ten minutes before the heater dies."""
    path = tmp_path_factory.mktemp("six-days") / "rushlight.db"
    service = Upgraded(path, SCENE.settings_for("/dev/ttyUSB0"), SCENE.start_ms)
    service.store.close()
    service = Upgraded(path, service.text, SCENE.start_ms)
    feed(service, [r for r in scene_readings if r.time_ms < FAULT.start_ms - 10 * MINUTE_MS])
    service.commit([], closing=True)
    assert service.now - SCENE.start_ms > 6 * DAY_MS
    service.store.close()
    return path


@pytest.fixture
def hour(scene_readings: list[Reading]) -> list[Reading]:
    return [r for r in scene_readings if r.time_ms >= FAULT.start_ms - 10 * MINUTE_MS]


def restarted(source: Path, path: Path) -> Path:
    path.parent.mkdir()
    shutil.copy(source, path)
    return path


def test_an_hour_after_an_upgrade_all_is_judged_as_without_it(
    six_days: Path, hour: list[Reading], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "rushlight.analysis")
    text = SCENE.settings_for("/dev/ttyUSB0")
    begin = hour[0].time_ms
    never = Upgraded(restarted(six_days, tmp_path / "never" / "rushlight.db"), text, begin)
    assert "analysis restored, with 0 readings since" in caplog.text
    caplog.clear()
    path = restarted(six_days, tmp_path / "upgraded" / "rushlight.db")
    alter(path)
    upgraded = Upgraded(path, text, begin)
    assert f"learning again from the last {LOOK_BACK_DAYS} days of readings" in caplog.text
    assert f"{TANK}: learnt again from " in caplog.text and " of the last 6 days, in " in caplog.text
    for service in (never, upgraded):
        feed(service, hour)
    assert never.events(TANK)[-1][1:] == ("heater-not-heating", "raised")  # within this hour
    assert never.events(TANK)[-1][0] > utc_text(begin)
    assert upgraded.store.events() == never.store.events()
    assert upgraded.notices() == never.notices()
    assert upgraded.alarms(TANK) == never.alarms(TANK)
    before, after = never.beliefs(), upgraded.beliefs()
    assert len(before) > 15 and after.keys() == before.keys()
    for name, value in before.items():
        # the same readings through the same code: nothing but the order of sums may differ
        assert after[name] == pytest.approx(value, rel=1e-9, abs=1e-9, nan_ok=True), name
    for service in (never, upgraded):
        service.store.close()


def test_a_memory_that_is_lost_altogether_would_be_seen(
    six_days: Path, hour: list[Reading], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The twin: with no days to look back on, the beliefs of the test above differ."""
    text = SCENE.settings_for("/dev/ttyUSB0")
    never = Upgraded(restarted(six_days, tmp_path / "never" / "rushlight.db"), text, hour[0].time_ms)
    path = restarted(six_days, tmp_path / "blind" / "rushlight.db")
    alter(path)
    monkeypatch.setattr("rushlight.analysis.service.lost_snapshots._RELEARN_MS", 0)
    blind = Upgraded(path, text, hour[0].time_ms)
    for service in (never, blind):
        feed(service, hour)
    assert blind.beliefs() != never.beliefs()
    for service in (never, blind):
        service.store.close()


def too_warm(minutes: int = 120) -> list[Reading]:
    return [
        Reading("shelf", "temperature", DAY_MS * 20_000 + i * MINUTE_MS, 28.5, 1, i) for i in range(minutes)
    ]


SHELF = """
[tanks.shelf]
volume_litres = 30
timezone = "Europe/Lisbon"
[tanks.shelf.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""


@pytest.mark.parametrize("book", [None, b"rubbish"], ids=["alarms-read", "alarms-lost"])
@pytest.mark.parametrize("act", ["shelve", "out-of-service", "acknowledge"])
def test_what_a_person_silenced_stays_silent_over_an_upgrade(
    act: str, book: bytes | None, tmp_path: Path
) -> None:
    path = tmp_path / "rushlight.db"
    service = Upgraded(path, SHELF, DAY_MS * 20_000)
    feed(service, too_warm())
    assert service.alarms("shelf") == {"temperature-high": "unacknowledged"}
    arguments = {"for_ms": DAY_MS} if act == "shelve" else {}
    service.store.add_request(act, "shelf", "temperature-high", "", arguments, "ann", service.now)
    service.live.poll(service.store, service.now)
    service.commit([])
    assert service.notices() == []  # who has answered is not asked again
    stood = service.alarms("shelf")
    service.store.close()
    alter(path, "shelf", book)
    service.boot()
    service.commit([])
    later = too_warm(180)[120:]
    feed(service, later)
    assert service.alarms("shelf") == stood
    assert service.notices() == []
    service.store.close()


def dimming(days: int) -> Iterator[Reading]:
    """A lamp on from 9 to 19 h, which loses 0.7 % a day; reported every five minutes."""
    begin = DAY_MS * 20_000
    for at in range(days * 288):
        day, minute = divmod(at * 5, 1440)
        lit = 540 <= minute < 1140
        lux = 8000 * (1 - 0.007 * day) * (1 + 0.002 * math.sin(at)) if lit else 3.0
        yield Reading("shelf", "light", begin + at * 5 * MINUTE_MS, round(lux), 1, at)


def test_the_longest_memory_is_learnt_again(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    text = SHELF.replace("volume_litres = 30", "volume_litres = 30\nreport_every_s = 300") + (
        '[tanks.shelf.light]\non = "09:00"\noff = "19:00"\n'
    )
    text = text.replace("Europe/Lisbon", "UTC")
    service = Upgraded(path, text, DAY_MS * 20_000)
    readings = list(dimming(32))
    feed(service, readings[: 30 * 288])
    assert service.alarms("shelf") == {"light-dimming": "unacknowledged"}
    before = service.events("shelf")
    saw = service.live.watches["shelf"].of(LampDetector).dimming.numbers
    service.commit([], closing=True)
    service.store.close()
    alter(path, "shelf")
    service.boot()
    assert service.live.watches["shelf"].of(LampDetector).dimming.numbers == pytest.approx(saw, rel=0.02)
    feed(service, readings[30 * 288 :])
    assert service.events("shelf") == before  # neither cleared nor raised again
    service.store.close()


def test_the_days_that_are_kept_are_enough_to_learn_from() -> None:
    text = '[store]\nkind = "influxdb"\nurl = "http://localhost:8086"\nbucket = "b"\norg = "o"\n'
    assert parse_settings(text).store.keep_local_days > LOOK_BACK_DAYS
    with pytest.raises(SettingsError, match=f"looks back as far as {LOOK_BACK_DAYS} days"):
        parse_settings(text + f"keep_local_days = {LOOK_BACK_DAYS}\n")


def test_a_saved_alarm_with_a_field_more_is_read_and_with_one_less_is_not() -> None:
    book = AlarmBook("shelf")
    book.shelve(("shelf", "temperature-high", ""), DAY_MS, 0, "ann")
    saved: dict[str, Any] = msgspec.msgpack.decode(book.to_bytes())
    (record,) = saved["records"]
    assert record == {
        "alarm": "temperature-high", "state": "shelved", "shelf_end_ms": DAY_MS, "shelved_ms": 0
    }  # fmt: skip
    # what an older version did not know yet begins with its default
    older = {**saved, "records": [{k: v for k, v in record.items() if k != "shelved_ms"}]}
    found = AlarmBook.restore("shelf", "", msgspec.msgpack.encode(older)).records()
    assert [str(one.state) for one in found.values()] == ["shelved"]
    # a field of another version would be lost in silence: all is refused instead
    other = {**saved, "records": [{**record, "put_away_ms": 0}]}
    with pytest.raises(StoreError, match="put_away_ms"):
        AlarmBook.restore("shelf", "", msgspec.msgpack.encode(other))


def test_the_defaults_of_a_saved_alarm_are_part_of_what_is_saved() -> None:
    """Fields at their default are left out of the snapshot, so another default would change saved alarms."""
    assert msgspec.to_builtins(msgspec.structs.asdict(AlarmRecord(alarm="a"))) == {
        "alarm": "a", "quantity": "", "state": "normal", "standing": False, "open": False,
        "present_since_ms": None, "absent_since_ms": None, "priority": "low", "lower_since_ms": None,
        "shelf_end_ms": None, "occurrence": "", "raised_ms": None, "finding": None, "shelved_ms": None,
        "named_ms": None, "returns": {},
    }  # fmt: skip
    assert msgspec.structs.asdict(Returns()) == {
        "back": 0, "since_ms": None, "came_ms": None, "gone_ms": None, "longest_ms": 0, "again": 0,
        "low": None, "high": None, "stayed_ms": 0,
    }  # fmt: skip
