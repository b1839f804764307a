"""The keeper's log to the watches: each entry once, to whom it is about, whatever each has had before."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from rushlight.analysis.service.keepers_log import take_log
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry

T0 = 1_772_330_400_000
TANKS = parse_settings(
    "".join(
        f'[tanks.{name}]\nvolume_litres = 60\ntimezone = "UTC"\n'
        f"[tanks.{name}.livestock]\ntemperature_low_c = 18.0\ntemperature_high_c = 26.0\n"
        for name in ("cellar", "attic")
    )
).tanks


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db") as opened:
        yield opened


@pytest.fixture
def watches() -> dict[str, TankWatch]:
    return {name: TankWatch(name, tank) for name, tank in TANKS.items()}


def note(store: EmbeddedStore, tank: str, kh: float) -> LogEntry:
    return store.add_log(LogEntry(tank=tank, time_ms=T0, tests={"kh": kh}), "keeper", T0 + 1000)


def waiting(watch: TankWatch) -> list[float]:
    return [entry.tests["kh"] for entry in watch.state.log.waiting]


def test_each_entry_is_given_once_to_its_own_tank(
    store: EmbeddedStore, watches: dict[str, TankWatch]
) -> None:
    note(store, "cellar", 4.0)
    assert take_log(store, watches) == {"cellar"}
    assert take_log(store, watches) == set()
    note(store, "attic", 6.0)
    note(store, "cellar", 5.0)
    assert take_log(store, watches) == {"attic", "cellar"}
    assert waiting(watches["cellar"]) == [4.0, 5.0] and waiting(watches["attic"]) == [6.0]


def test_a_tank_that_is_behind_gets_what_it_missed_and_the_other_nothing_twice(
    store: EmbeddedStore, watches: dict[str, TankWatch]
) -> None:
    """As after learning again, or a snapshot that is older than the other's."""
    note(store, "attic", 6.0)
    note(store, "cellar", 4.0)
    take_log(store, watches)
    watches["attic"] = TankWatch("attic", TANKS["attic"])
    assert take_log(store, watches) == {"attic"}
    assert waiting(watches["attic"]) == [6.0] and waiting(watches["cellar"]) == [4.0]


def test_an_entry_of_a_tank_that_is_not_watched_is_passed_over(
    store: EmbeddedStore, watches: dict[str, TankWatch]
) -> None:
    note(store, "shed", 3.0)
    note(store, "cellar", 4.0)
    assert take_log(store, watches) == {"cellar"}
    assert waiting(watches["cellar"]) == [4.0]
    assert take_log(store, {}) == set()


def test_what_is_undone_is_taken_back_and_the_tank_is_to_be_saved(
    store: EmbeddedStore, watches: dict[str, TankWatch]
) -> None:
    entry = note(store, "cellar", 4.0)
    take_log(store, watches)
    store.undo_log("cellar", entry.id, T0 + 2000)
    assert take_log(store, watches) == {"cellar"}
    assert waiting(watches["cellar"]) == []
