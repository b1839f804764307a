"""Taking up tanks of another part's store: which store, what of it, and all of that or nothing."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event, EventKind
from rushlight.collector.influx.state import DrainState, Mark, save_drain_state
from rushlight.collector.readings import Reading
from rushlight.collector.service import moved_tanks as module
from rushlight.collector.service.moved_tanks import take_over
from rushlight.collector.service.parts import Part, part_of, settings_of_part
from rushlight.collector.settings import load_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock
from tests.collector.service.test_parts import TANKS, settings_text

NOW = 1_772_330_400_000  # 2026-03-01T02:00Z
TANK = TANKS[1]
INFLUX = '[store]\nkind = "influxdb"\nurl = "http://127.0.0.1:9"\nbucket = "b"\n'


class Bench:
    """One service for all tanks before, and now the part that has `TANK`."""

    def __init__(self, folder: Path, store: str = "") -> None:
        file = folder / "rushlight.toml"
        file.write_text(store + settings_text(1883))
        self.folder = folder
        self.common = load_settings(file)
        self.own = settings_of_part(self.common, Part(part_of(TANK, 2), 2))
        self.path = self.common.store_path()

    def before(self, path: Path | None = None) -> EmbeddedStore:
        return EmbeddedStore(path or self.path, synchronous="OFF")

    def mine(self) -> EmbeddedStore:
        return EmbeddedStore(self.own.store_path(), synchronous="OFF")

    def take(self, store: EmbeddedStore) -> None:
        take_over(self.common, self.own, store)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def reading(time_ms: int, quantity: str = "temperature", tank: str = TANK, seq: int = 1) -> Reading:
    return Reading(tank, quantity, time_ms, 24.0, 1, seq)


def seqs(store: EmbeddedStore) -> list[int]:
    return [r.seq for _, r in store.arrivals_after(0, TANK)]


# -- which store ---------------------------------------------------------------------------------------


def test_the_newest_of_the_others_is_taken_up_and_left_as_it_was(bench: Bench) -> None:
    others = [bench.folder / f"rushlight.{n}-of-3.db" for n in (1, 2)]
    for path, times in ((bench.path, (100,)), (others[0], (300, 50)), (others[1], (200,))):
        with bench.before(path) as store:
            for n, time_ms in enumerate(times):
                store.add_readings([reading(NOW + time_ms, ("temperature", "ph")[n], seq=time_ms)])
    for path in others:
        Path(f"{path}-lock").unlink()
    with bench.mine() as store:
        store.add_readings([reading(NOW + 150, seq=150)])
        bench.take(store)
        assert sorted(seqs(store)) == [50, 150, 300]
        bench.take(store)  # it has the newest now
        assert sorted(seqs(store)) == [50, 150, 300]
    assert not Path(f"{others[0]}-lock").exists()  # it was opened for reading only


@pytest.mark.parametrize("mine_ms", [1000, 1001])
def test_what_is_no_newer_than_the_own_is_not_taken_up(bench: Bench, mine_ms: int) -> None:
    with bench.before() as store:
        store.add_readings([reading(NOW + 1000, seq=1), reading(NOW, "ph", seq=2)])
        store.save_state("analysis", TANK, b"older", store.position())
    with bench.mine() as store:
        store.add_readings([reading(NOW + mine_ms, seq=3), reading(NOW - 5000, "ph", seq=4)])
        bench.take(store)
        assert store.load_state("analysis", TANK) is None and sorted(seqs(store)) == [3, 4]


def test_from_a_service_that_still_runs_nothing_is_taken(bench: Bench) -> None:
    with bench.before() as store:
        store.add_readings([reading(NOW)])
    with ServiceLock(bench.path), bench.mine() as store:
        with pytest.raises(StoreError, match=r"service \(process \d+\) is running; stop all parts"):
            bench.take(store)
        assert seqs(store) == []
        store.add_readings([reading(NOW + 1)])
        bench.take(store)  # what is older may run on


def half_made(bench: Bench, monkeypatch: pytest.MonkeyPatch, after: int) -> list[float]:
    """A sibling's store that is whole after so many looks at it; the sleeps."""
    bench.path.touch()
    slept: list[float] = []
    passed = [1000.0]

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        passed[0] += seconds
        if len(slept) == after:
            bench.before().close()

    monkeypatch.setattr(module, "time", SimpleNamespace(monotonic=lambda: passed[0], sleep=sleep))
    return slept


def test_a_store_that_is_being_made_is_waited_for(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    slept = half_made(bench, monkeypatch, 3)
    with ServiceLock(bench.path), bench.mine() as store:
        bench.take(store)
    assert slept == [0.05] * 3


def test_a_store_that_nobody_makes_is_not_waited_for(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    slept = half_made(bench, monkeypatch, 3)
    with bench.mine() as store, pytest.raises(StoreError, match="from an older version"):
        bench.take(store)
    assert slept == []


def test_a_store_that_is_never_whole_is_waited_for_half_a_minute(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    slept = half_made(bench, monkeypatch, 10_000)
    with ServiceLock(bench.path), bench.mine() as store, pytest.raises(StoreError, match="older version"):
        bench.take(store)
    assert sum(slept) == pytest.approx(30, abs=0.2)


# -- what of it ----------------------------------------------------------------------------------------


def test_without_a_snapshot_only_the_newest_of_each_quantity_goes_along(bench: Bench) -> None:
    with bench.before() as store:
        for n in range(5):
            store.add_readings([reading(NOW + n, seq=n), reading(NOW + n, "ph", seq=10 + n)])
        store.save_state("quality", TANK, b"flags", None)
    with bench.mine() as store:
        bench.take(store)
        assert sorted(seqs(store)) == [4, 14]
        saved = store.load_state("quality", TANK)
        assert saved is not None and saved[0] == b"flags"
        assert store.load_state("analysis", TANK) is None


def test_what_is_behind_the_snapshot_comes_behind_it(bench: Bench) -> None:
    with bench.before() as store:
        store.add_readings([reading(NOW + n, seq=n) for n in range(5)])
        store.add_readings([reading(NOW, "ph", seq=20), reading(NOW, tank=TANKS[0], seq=99)])
        store.save_state("analysis", TANK, b"learnt", store.position() - 4)
        store.save_state("quality", TANK, b"flags", None)
        store.save_state("stamper", TANK, b"numbers", None)
    with bench.mine() as store:
        store.add_readings([reading(NOW - 1000, seq=50)])
        bench.take(store)
        saved = store.load_state("analysis", TANK)
        assert saved is not None and saved[0] == b"learnt" and saved[1] > 0
        assert [r.seq for _, r in store.arrivals_after(saved[1], TANK)] == [3, 4, 20]
        assert sorted(seqs(store)) == [3, 4, 20, 50]
        quality = store.load_state("quality", TANK)
        assert quality is not None and quality[0] == b"flags" and quality[1] != saved[1]


def test_where_the_snapshot_has_seen_all_the_newest_goes_along_before_it(bench: Bench) -> None:
    with bench.before() as store:
        store.add_readings([reading(NOW + n, seq=n) for n in range(5)])
        store.save_state("analysis", TANK, b"learnt", store.position())
    with bench.mine() as store:
        bench.take(store)
        saved = store.load_state("analysis", TANK)
        assert saved is not None and list(store.arrivals_after(saved[1], TANK)) == []
        assert seqs(store) == [4]


def test_all_of_it_is_taken_up_or_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    with bench.before() as store:
        store.add_readings([reading(NOW)])
        store.save_state("analysis", TANK, b"learnt", store.position())

    def full(*_: Any, **__: Any) -> None:
        raise StoreError("no room")

    with bench.mine() as store:
        monkeypatch.setattr(store, "replace_notices", full)
        with pytest.raises(StoreError, match="no room"):
            bench.take(store)
        assert seqs(store) == [] and store.load_state("analysis", TANK) is None
        monkeypatch.undo()
        bench.take(store)  # the next start finds it as before
        assert seqs(store) == [1] and store.load_state("analysis", TANK) is not None


def event(alarm: str, kind: EventKind, tank: str = TANK) -> Event:
    return Event(
        time=f"2026-03-01T02:00:0{int(kind != 'raised')}Z", tank=tank, alarm=alarm, event=kind,
        priority="high", summary=f"{alarm} {kind}", detail="", cautions=[], occurrence=f"{tank}/{alarm}/0",
    )  # fmt: skip


def queue(store: EmbeddedStore, occurrence: str, target: str = "a", **more: Any) -> None:
    known: dict[str, Any] = {"transition": "raised", "title": "t", "body": "b", "priority": "high"}
    assert store.queue_notice(occurrence=occurrence, target=target, created_ms=NOW, **(known | more))


def test_events_and_notices_go_along_of_what_is_open_here_or_there(bench: Bench) -> None:
    other = TANKS[0]
    with bench.before() as store:
        store.add_readings([reading(NOW)])
        for one in (
            event("temperature-high", "raised"),
            event("temperature-high", "acknowledged"),
            event("co2-overdose", "raised"),
            event("co2-overdose", "cleared"),
            event("light-missing", "raised"),
            event("light-missing", "cleared"),
            event("ph-out-of-range", "raised", other),
        ):
            store.add_event(one)
        hot, gas = f"{TANK}/temperature-high/0", f"{TANK}/co2-overdose/0"
        queue(store, hot)
        store.notice_delivered(store.notices(hot)[0].id, NOW)
        queue(store, hot, "b")
        queue(store, hot, "a", number=1)
        queue(store, f"{TANK}/light-missing/0", transition="test")
        queue(store, f"{other}/ph-out-of-range/0")
    with bench.mine() as store:
        store.add_event(event("co2-overdose", "raised"))  # stood here when it left
        queue(store, gas)
        bench.take(store)
        kept = [(e.alarm, e.event) for e in store.events()]
        assert sorted(kept) == [
            ("co2-overdose", "cleared"),
            ("co2-overdose", "raised"),
            ("temperature-high", "acknowledged"),
            ("temperature-high", "raised"),
        ]
        waiting = [(n.occurrence, n.target, n.number) for n in store.pending_notices()]
        assert waiting == [(hot, "b", 0), (hot, "a", 1)]
        assert store.targets_with_word(hot) == {"a", "b"}
        assert [n.delivered_ms for n in store.notices(hot) if (n.target, n.number) == ("a", 0)] == [NOW]


def test_a_notice_goes_along_with_its_events_also_where_the_alarm_is_over(bench: Bench) -> None:
    with bench.before() as store:
        store.add_readings([reading(NOW)])
        store.add_event(event("temperature-high", "raised"))
        store.add_event(event("temperature-high", "cleared"))
        queue(store, f"{TANK}/temperature-high/0", transition="cleared")
    with bench.mine() as store:
        bench.take(store)
        assert [n.transition for n in store.pending_notices()] == ["cleared"]
        assert [e.event for e in store.events()] == ["raised", "cleared"]


# -- what a server may not have ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "taken", "warned"),
    [
        (None, [4], True),  # the first look at this server: nobody knows what it has
        (DrainState(cursor=5, copy_ms=None, marks=[Mark(NOW, 2, None)]), [2, 3, 4], False),
        (DrainState(cursor=5, copy_ms=None, marks=[Mark(NOW, 2, NOW)]), [2, 3, 4], True),
        (
            DrainState(cursor=5, copy_ms=None, marks=[Mark(NOW, 2, None)], refused_from_ms=NOW),
            [2, 3, 4],
            True,
        ),
        (DrainState(cursor=5, copy_ms=None, marks=[Mark(NOW, 5, None), Mark(NOW, 1, NOW)]), [4], False),
    ],
    ids=["new", "behind", "older ones not copied", "refused", "all there"],
)
def test_what_the_server_may_not_have_goes_along_or_is_said(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, state: DrainState | None, taken: list[int], warned: bool
) -> None:
    bench = Bench(tmp_path, INFLUX)
    with bench.before() as store:
        store.add_readings([reading(NOW + n, seq=n) for n in range(5)])
        assert [at for at, _ in store.arrivals_after(0)] == [1, 2, 3, 4, 5]
        if state is not None:
            save_drain_state(store, bench.common.store, state)
    with bench.mine() as store:
        bench.take(store)
        assert sorted(seqs(store)) == taken
    assert ("may not be on InfluxDB" in caplog.text) is warned


def test_without_a_server_nothing_is_said_of_one(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    with bench.before() as store:
        store.add_readings([reading(NOW + n, seq=n) for n in range(5)])
    with closing(bench.mine()) as store:
        bench.take(store)
        assert seqs(store) == [4]
    assert "InfluxDB" not in caplog.text
