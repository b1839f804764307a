"""The keeper's log: kept, undone, given to the analysis at its time, through a kill and in a replay.

Real SQLite files. KH and CO2 by pH = pK1 + log10([HCO3-]/[CO2]), pK1 = 6.35 at 25 °C (Stumm & Morgan,
Aquatic Chemistry, 3rd ed., table 4.7; from memory): at a given pH, CO2 goes as KH. Water changes and how
long they take: common practice, no source.
"""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path

import pytest

from rushlight.analysis.commands import note as command
from rushlight.analysis.commands.main import main
from rushlight.analysis.replay.store import replay_store
from rushlight.analysis.service.keepers_log import take_log
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.service.run import make_notifier
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import LogError, StoreError
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import Settings, load_settings, parse_settings
from rushlight.collector.store import schema
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry

MINUTE = 60_000
HOUR, DAY = 60 * MINUTE, 1440 * MINUTE
BEGAN = 1_768_435_200_000  # 2026-01-15T00:00Z; Lisbon keeps UTC in winter
NOW = BEGAN + 40 * DAY
TANK = """
[tanks.cellar]
volume_litres = 60
timezone = "Europe/Lisbon"
report_every_s = 60
[tanks.cellar.livestock]
temperature_low_c = 22
temperature_high_c = 28
co2_limit_mg_l = 40
[tanks.cellar.water]
carbonate_hardness_dkh = 8
[tanks.cellar.co2]
on = "10:00"
off = "18:00"
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "rushlight.toml").write_text(TANK, "utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("rushlight.collector.service.listener.system_clock", lambda: NOW)
    EmbeddedStore(tmp_path / "rushlight.db").close()
    return tmp_path


def entry(**more: object) -> LogEntry:
    return LogEntry(**{"tank": "cellar", "time_ms": BEGAN, "text": "x", **more})  # type: ignore[arg-type]


# -- typed and kept ---------------------------------------------------------------------------------


def test_what_is_typed_is_kept_listed_and_undone(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["note", "cellar", "--kh", "4", "--ph", "6.8", "--at", "2026-02-20 18:30"]) == 0
    assert main(["note", "cellar", "--changed", "20%", "--cleaned", "--at", "2026-02-19T10:00:00+01:00"]) == 0
    assert main(["note", "cellar", "--changed", "15L", "new", "wool"]) == 0
    capsys.readouterr()
    assert main(["note", "cellar", "--list"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "    2  2026-02-19 09:00  changed 20 % of the water; cleaned",
        "    1  2026-02-20 18:30  KH 4 dKH; pH 6.8",
        "    3  2026-02-24 00:00  changed 25 % of the water; new wool",
    ]
    assert main(["note", "cellar", "--undo", "1"]) == 0
    assert "undone 1: 2026-02-20 18:30  KH 4 dKH; pH 6.8" in capsys.readouterr().out
    assert main(["note", "cellar", "--undo", "1"]) == 2
    assert "entry 1 was undone before" in capsys.readouterr().err
    main(["note", "cellar", "--list"])
    assert "KH 4" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["--kh", "71"], "--kh must be from 0 to 40 dKH, not 71; did you mean 71 ppm as CaCO3 (4.0 dKH)?"),
        (["--ph", "14.5"], "--ph must be from 3 to 11"),
        (["--nitrate", "nan"], "--nitrate must be from 0 to 1000 mg/L, not nan"),
        (["--changed", "120%"], "--changed must be more than 0 and at most 100 %"),
        (["--changed", "a lot"], "'a lot' is no share of the water; write 20%, or the water as 12L or 3gal"),
        (["--changed", "80L"], "80 L is more than the tank's 60 L"),
        (["--changed", "1,200L"], "'1,200L' can be read in two ways; write it without a comma"),
        (["--changed", "1,200 gal"], "can be read in two ways; write it without a comma"),
        (["--fed", "--at", "2026-02-24 00:01"], "is in the future"),
        (["--fed", "--at", "tomorrow"], "'tomorrow' is no moment; write 18:30"),
        (["--fed", "--at", "25:00"], "'25:00' is no moment"),
        (["a\x1b[2Jb"], "has a control character in it"),
        (["x" * 1001], "has 1001 characters"),
        ([], "says nothing"),
        (["--undo", "7"], "has no entry 7; see"),
        (["--undo", "7", "--fed"], "--list and --undo go alone"),
    ],
)
def test_what_can_t_be_right_is_refused_and_nothing_kept(
    home: Path, capsys: pytest.CaptureFixture[str], typed: list[str], said: str
) -> None:
    assert main(["note", "cellar", *typed]) == 2
    assert said in capsys.readouterr().err
    with EmbeddedStore(home / "rushlight.db") as store:
        assert store.log("cellar") == [] and store.log_changes(0) == []
    assert main(["note", "cellar", "--kh", "4"]) == 0  # and what is right is kept


def test_no_such_tank_and_no_store(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["note", "attic", "--fed"]) == 2
    assert "there is no tank 'attic'; known are cellar" in capsys.readouterr().err
    (home / "rushlight.db").unlink()
    assert main(["note", "cellar", "--fed"]) == 1
    assert "start `rushlight run` first" in capsys.readouterr().err
    assert command.note.name == "note"


def test_another_tank_s_entry_is_not_undone(tmp_path: Path) -> None:
    with EmbeddedStore(tmp_path / "a.db") as store:
        kept = store.add_log(entry(), "me", NOW)
        with pytest.raises(LogError, match="attic: has no entry 1"):
            store.undo_log("attic", kept.id, NOW)
        assert store.log("cellar") == [kept]


def test_a_file_without_a_log_gets_one(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with sqlite3.connect(path) as db:
        for statement in (s for version in schema.MIGRATIONS[:3] for s in version):
            db.execute(statement)
        db.execute("PRAGMA user_version = 3")
    db.close()
    with EmbeddedStore(path) as store:
        kept = store.add_log(entry(tests={"kh": 4.0}), "me", NOW)
        assert store.log("cellar") == [kept]
        assert store.log("cellar", until_ms=BEGAN) == [] and store.log("cellar", BEGAN + 1) == []


# -- what the analysis makes of it ------------------------------------------------------------------


def settings() -> Settings:
    return parse_settings(TANK)


def day(minute: int) -> dict[str, float]:
    """A gassed tank of KH 4 whose settings say 8: some 20 mg/L of CO2 at noon, 40 by the settings."""
    lit = 600 <= minute < 1080
    return {"temperature": 25.0, "ph": 6.85 if lit else 7.45}


def feed(watch: TankWatch, first: int, last: int) -> list[Event]:
    """Minutes since the beginning."""
    chance, events = random.Random(first), []
    for n in range(first, last):
        for quantity, value in day(n % 1440).items():
            at, seen = BEGAN + n * MINUTE + 20_000, value + chance.gauss(0, 0.004)
            events += watch.feed(Reading("cellar", quantity, at, seen, Flag.PASS))
    return events


def kh_of(watch: TankWatch) -> float:
    return watch.beliefs()["kh_dkh"]


def test_what_was_undone_stays_undone_since_then_and_is_no_new_change(tmp_path: Path) -> None:
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        number = store.add_log(entry(), "Ana", BEGAN).id
        store.undo_log("cellar", number, BEGAN + MINUTE)
        before = (store.last_log_change(), store.log_changes(0))
        with pytest.raises(LogError, match="undone before"):
            store.undo_log("cellar", number, BEGAN + 5 * MINUTE)
        assert (store.last_log_change(), store.log_changes(0)) == before
        assert store._one("SELECT undone_ms FROM keeper_log")[0] == BEGAN + MINUTE


def test_a_hardness_test_resets_the_hardness_and_undone_it_is_the_settings_again() -> None:
    watch = TankWatch("cellar", settings().tanks["cellar"])
    feed(watch, 0, 200)
    assert kh_of(watch) == pytest.approx(8, rel=0.1)
    before = watch.beliefs()["co2_mg_l"]
    watch.note(entry(id=5, time_ms=BEGAN + 300 * MINUTE, tests={"kh": 4.0}))
    feed(watch, 200, 290)
    assert kh_of(watch) == pytest.approx(8, rel=0.1)  # its time has not come
    feed(watch, 290, 320)
    assert kh_of(watch) == pytest.approx(4, rel=0.2)
    assert watch.beliefs()["co2_mg_l"] == pytest.approx(before / 2, rel=0.25)
    again = TankWatch("cellar", settings().tanks["cellar"])
    again.restore(watch.snapshot())
    feed(again, 320, 330)
    assert kh_of(again) == pytest.approx(4, rel=0.2)
    again.take_back(5)
    feed(again, 330, 340)
    assert kh_of(again) == pytest.approx(8, rel=0.1)


def gassed(watch: TankWatch, start: int, stays_min: int, over_min: int) -> list[Event]:
    """Three days of gas by the clock, and a fourth on which pH rises by 0.4 over and for so many minutes."""
    chance, events = random.Random(3), []
    for n in range(start + 340):
        minute, since = n % 1440, n - start
        ph = 7.45 - 0.6 * max(0.0, min(1.0, (minute - 600) / 150, (1200 - minute) / 150))
        ph += 0.4 * max(0.0, min(1.0, since / over_min, (stays_min - since) / 20))
        for quantity, value in (("temperature", 25.0), ("ph", ph)):
            at = BEGAN + n * MINUTE + 20_000
            events += watch.feed(Reading("cellar", quantity, at, value + chance.gauss(0, 0.004), Flag.PASS))
    return events


def test_a_water_change_that_is_noted_is_no_alarm() -> None:
    """Water without gas in the middle of the gassed hours; the twin: pH stays high, so it is missing."""
    start = 3 * 1440 + 700

    def absent(stays_min: int, noted: bool, over_min: int = 60) -> bool:
        watch = TankWatch("cellar", settings().tanks["cellar"])
        if noted:
            watch.note(entry(id=1, time_ms=BEGAN + start * MINUTE, changed_share=0.5))
        return "co2-absent" in {event.alarm for event in gassed(watch, start, stays_min, over_min)}

    assert absent(150, noted=False) and not absent(150, noted=True)
    assert absent(1000, noted=True)
    # poured in within half an hour, it is seen by its pace, noted or not; not for ever
    assert not absent(150, noted=False, over_min=30) and absent(1000, noted=False, over_min=30)


def test_a_calibration_that_is_noted_makes_the_ph_trusted_again() -> None:
    watch = TankWatch("cellar", settings().tanks["cellar"])
    feed(watch, 0, 20)
    today = watch.tank.clock.local(BEGAN)[0]
    assert watch.tank.ph_trust(False, today).state == "not known"
    watch.note(entry(id=3, time_ms=BEGAN + 25 * MINUTE, done=("calibrated",)))
    feed(watch, 20, 40)
    assert watch.tank.ph_trust(False, today).state == "calibrated"
    again = TankWatch("cellar", settings().tanks["cellar"])
    again.restore(watch.snapshot())
    assert again.tank.ph_trust(False, today).state == "calibrated"
    again.take_back(3)
    assert again.tank.ph_trust(False, today).state == "not known"


# -- the running service ----------------------------------------------------------------------------


def live(home: Path) -> LiveAnalysis:
    made = load_settings(home / "rushlight.toml")
    return LiveAnalysis(made, make_notifier(made, lambda: NOW), lambda: NOW)


def test_a_running_service_takes_it_up_and_a_kill_loses_and_doubles_nothing(home: Path) -> None:
    with EmbeddedStore(home / "rushlight.db") as store:
        service = live(home)
        service.start(store, NOW)
        assert main(["note", "cellar", "--kh", "4", "--at", "2026-02-23 23:00"]) == 0
        service.poll(store, NOW)
        assert [one.tests for one in service.watches["cellar"].state.log.waiting] == [{"kh": 4.0}]
        assert service.wants(NOW)
        killed = live(home)  # the state was not kept: it is asked for again
        killed.start(store, NOW)
        killed.poll(store, NOW)
        assert [one.id for one in killed.watches["cellar"].state.log.waiting] == [1]
        with store.transaction():
            killed.keep(store, NOW, closing=False)
        killed.kept(NOW)
        after = live(home)
        after.start(store, NOW)
        after.poll(store, NOW)
        log = after.watches["cellar"].state.log
        assert ([one.id for one in log.waiting], log.seen) == ([1], 1)
        feed(after.watches["cellar"], 39 * 1440 + 1380, 39 * 1440 + 1439)
        assert [one.id for one in log.entries] == [1] and not log.waiting
        assert main(["note", "cellar", "--undo", "1"]) == 0
        after.poll(store, NOW)
        assert log.entries == [] and log.seen == 2


def test_entries_made_while_nothing_runs_are_taken_at_the_start(home: Path) -> None:
    assert main(["note", "cellar", "--changed", "30%"]) == 0
    assert main(["note", "cellar", "--undo", "1"]) == 0
    assert main(["note", "cellar", "--changed", "40%"]) == 0
    with EmbeddedStore(home / "rushlight.db") as store:
        watches = {name: TankWatch(name, settings().tanks["cellar"]) for name in ("cellar", "other")}
        assert take_log(store, watches) == {"cellar"}
        assert [one.changed_share for one in watches["cellar"].state.log.waiting] == [0.4]
        assert watches["other"].state.log.waiting == []
        assert take_log(store, watches) == set()


def test_a_replay_of_the_store_uses_them_as_of_their_time(home: Path) -> None:
    chance = random.Random(9)
    with EmbeddedStore(home / "rushlight.db") as store:
        readings = [
            Reading("cellar", quantity, BEGAN + n * MINUTE, value + chance.gauss(0, 0.004), Flag.PASS)
            for n in range(600)
            for quantity, value in day(n).items()
        ]
        store.add_readings(readings)
        store.add_log(entry(time_ms=BEGAN + 300 * MINUTE, tests={"kh": 4.0}), "me", NOW)
        gone = store.add_log(entry(time_ms=BEGAN + 100 * MINUTE, tests={"kh": 15.0}), "me", NOW)
        store.undo_log("cellar", gone.id, NOW)
        made = load_settings(home / "rushlight.toml")
        found = replay_store(made, store, "cellar", BEGAN, BEGAN + 10 * HOUR, log=store.log("cellar"))
        kh = {
            (s.start_ms - BEGAN) // MINUTE: s.beliefs["kh_dkh"]
            for s in found.samples
            if "kh_dkh" in s.beliefs
        }
        assert kh[290] == pytest.approx(8, rel=0.1) and kh[320] == pytest.approx(4, rel=0.2)


def test_a_read_only_store_lists(home: Path) -> None:
    with EmbeddedStore(home / "rushlight.db", read_only=True) as store:
        assert store.log("cellar") == []
        with pytest.raises(StoreError, match="reading only"):
            store.add_log(entry(), "me", NOW)
