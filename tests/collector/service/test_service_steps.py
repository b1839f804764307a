"""The service one round at a time, by a clock that the test moves: when it does what, and in which order."""

from __future__ import annotations

import json
import queue
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.collector.errors import StoreError
from rushlight.collector.intake.batch import Arrival
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links import Deliver
from rushlight.collector.service import loop
from rushlight.collector.service.deadline import Ending
from rushlight.collector.service.listener import LINKS_META
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.service.test_service import SETTINGS, TOPIC, Bench, HandLink, pack

BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z


class Steps(Bench):
    """A service whose rounds the test makes; time passes only where the test says so."""

    now = BEGAN
    passed_s = 1000.0  # of time.monotonic

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.tries: list[bool] = []  # at each commit: was it the closing one
        self.refuse: Exception | None = None
        self.metas: list[str] = []
        set_meta = self.store.set_meta
        keep = self.notebook.keep

        def noted(name: str, text: str) -> None:
            self.metas.append(name)
            set_meta(name, text)

        def keeping(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
            self.tries.append(closing)
            if self.refuse is not None:
                raise self.refuse
            keep(store, now_ms, closing)

        self.store.set_meta = noted  # type: ignore[method-assign]
        self.notebook.keep = keeping  # type: ignore[method-assign]

    def clock(self) -> int:
        return self.now

    def put(self, seq: int) -> None:
        """A report comes in."""
        delivery = Delivery("hand", TOPIC, pack(seq), self.now, False, seq)
        self.service._queue.put(Arrival(0, delivery), threading.Event())

    def round(self, pass_ms: int = 0) -> None:
        self.now += pass_ms
        self.passed_s += pass_ms / 1000
        self.service._round()


@pytest.fixture
def steps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Steps]:
    monkeypatch.setattr(loop, "_BATCH_S", 0.002)
    monkeypatch.setattr(loop, "_LULL_S", 0.001)
    made = Steps(tmp_path / "rushlight.db")
    monkeypatch.setattr(loop, "time", SimpleNamespace(monotonic=lambda: made.passed_s))
    yield made
    made.store.close()


def times(monkeypatch: pytest.MonkeyPatch, owner: object, name: str, clock: Callable[[], int]) -> list[int]:
    """When a method is called, ms since the beginning."""
    found: list[int] = []
    real = getattr(owner, name)

    def noting(*arguments: Any, **more: Any) -> Any:
        found.append(clock() - BEGAN)
        return real(*arguments, **more)

    monkeypatch.setattr(owner, name, noting)
    return found


@pytest.mark.parametrize(
    ("what", "every_ms"), [("tick", 5000), ("poll", 1000), ("report", 30_000)], ids=lambda x: str(x)
)
def test_each_is_done_in_its_time_also_by_a_clock_that_was_put_back(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, what: str, every_ms: int
) -> None:
    owner, name = (steps.service, "_report") if what == "report" else (steps.notebook, what)
    found = times(monkeypatch, owner, name, lambda: steps.now)
    for pass_ms in (0, 0, every_ms - 1, 0, 1, every_ms - 1, 1, -1, 0, -86_400_000, every_ms - 1, 1):
        steps.round(pass_ms)
    last = 2 * every_ms - 1 - 86_400_000
    assert found == [0, every_ms, 2 * every_ms, 2 * every_ms - 1, last, last + every_ms]


def test_all_is_well_for_five_minutes_after_a_reading(steps: Steps) -> None:
    steps.put(0)
    steps.round()
    assert steps.service.is_well()
    steps.now += 299_999
    assert steps.service.is_well()
    steps.now += 1
    assert not steps.service.is_well()
    steps.now = BEGAN - 1  # nobody knows how long ago it was
    assert not steps.service.is_well()


def test_a_store_that_refuses_is_tried_again_with_growing_pauses(steps: Steps) -> None:
    """From half a second to half a minute; what the listener has to say goes out at each round meanwhile."""
    steps.refuse = StoreError("no room")
    steps.put(0)
    steps.round()
    for pause_ms in (500, 1000, 2000, 4000, 8000, 16_000, 30_000, 30_000):
        before, held = len(steps.tries), len(steps.notebook.held)
        steps.round(pause_ms - 1)
        assert len(steps.tries) == before and len(steps.notebook.held) == held + 1
        assert not steps.service.is_well() and LINKS_META not in steps.metas
        steps.round(1)
        assert len(steps.tries) == before + 1 and len(steps.notebook.held) == held + 2
    assert steps.link.acknowledged == [] and steps.stored() == 0
    steps.refuse = None
    steps.round(30_000)
    assert steps.link.acknowledged == [0] and steps.stored() == 1
    assert steps.service.is_well() and LINKS_META in steps.metas
    # the next time the pauses are short again
    steps.refuse = StoreError("no room")
    steps.put(1)
    steps.round()
    before = len(steps.tries)
    steps.round(499)
    assert len(steps.tries) == before
    steps.round(1)
    assert len(steps.tries) == before + 1


def test_nothing_is_written_where_there_is_nothing_to_write(steps: Steps) -> None:
    steps.round()
    steps.round(1000)
    assert steps.tries == []
    steps.notebook.wants = lambda now_ms: True  # type: ignore[method-assign]
    steps.round(1000)
    assert steps.tries == [False]


def test_what_a_person_asks_for_is_kept_in_the_round_that_has_read_it(steps: Steps) -> None:
    asked: list[int] = []
    steps.notebook.poll = lambda store, now_ms: asked.append(now_ms)  # type: ignore[method-assign]
    steps.notebook.wants = lambda now_ms: bool(asked)  # type: ignore[method-assign]
    steps.round()
    assert asked and steps.tries == [False]


def test_packing_waits_for_the_acknowledgement(steps: Steps, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[tuple[bool, list[Any]]] = []
    monkeypatch.setattr(
        steps.service._packing, "go_on", lambda now, busy: seen.append((busy, list(steps.link.acknowledged)))
    )
    steps.put(0)
    steps.round()
    steps.round()
    assert seen == [(True, [0]), (False, [0])]
    steps.refuse = StoreError("no room")
    steps.put(1)
    steps.round()
    assert len(seen) == 2  # and it does not write where nothing can be written


def test_the_watchdog_is_fed_in_each_round(steps: Steps, monkeypatch: pytest.MonkeyPatch) -> None:
    found = times(monkeypatch, steps.service._watchdog, "feed", lambda: steps.now)
    steps.round()
    steps.refuse = StoreError("no room")
    steps.put(0)
    steps.round(1)
    steps.round(1)
    assert found == [0, 1, 2]


def test_a_service_without_room_takes_nothing_in_and_waits(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rushlight.collector.intake.backlog.REPORTS", 1)
    waited: list[float | None] = []
    monkeypatch.setattr(steps.service._stop, "wait", lambda s=None: waited.append(s) or False)
    steps.refuse = StoreError("no room")
    for seq in range(2):
        steps.put(seq)
    steps.round()
    assert waited == []
    steps.put(2)
    steps.round()
    assert waited == [loop._BATCH_S]  # else it would take a whole processor
    assert steps.service._queue.qsize() == 1
    steps.refuse = None
    steps.round(30_000)
    steps.round()
    assert steps.link.acknowledged == [0, 1, 2]


class Trickle:
    """In the place of what waits: one delivery after the other, each some time after the last."""

    def __init__(self, steps: Steps, gaps_s: list[float]) -> None:
        self._steps = steps
        self._gaps_s = gaps_s
        self.number = 0

    def get(self, timeout: float) -> Arrival:
        if not self._gaps_s or self._gaps_s[0] > timeout + 1e-9:
            self._steps.passed_s += timeout
            if self._gaps_s:
                self._gaps_s[0] -= timeout
            raise queue.Empty
        self._steps.passed_s += self._gaps_s.pop(0)
        self.number += 1
        return Arrival(0, Delivery("hand", TOPIC, pack(self.number), self._steps.now, False, self.number))

    def fill(self, arrivals: list[Arrival], most: int) -> bool:
        return len(arrivals) >= most

    def empty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("gaps_s", "sizes"),
    [
        ([0.24, *[0.02] * 20], [13, 8]),  # the first waits for a quarter of a second at most
        ([0.0, 0.03, 0.03, 0.031, 0.03], [3, 2]),  # nothing more has come for a moment
        ([0.26, 0.0], [0, 2]),
        ([0.0] * 60, [50, 10]),  # a whole commit
    ],
    ids=["a trickle", "a lull", "nothing", "many"],
)
def test_what_comes_close_together_is_one_commit(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, gaps_s: list[float], sizes: list[int]
) -> None:
    """Each commit is a write on somebody's SD card, and each wait holds a broker up."""
    monkeypatch.undo()
    monkeypatch.setattr(loop, "time", SimpleNamespace(monotonic=lambda: steps.passed_s))
    steps.service = steps.make(most=50)
    steps.service._queue = Trickle(steps, list(gaps_s))  # type: ignore[assignment]
    assert [len(steps.service._collect()) for _ in sizes] == sizes


def test_a_link_that_has_delivered_nothing_says_so(steps: Steps) -> None:
    steps.round()
    assert json.loads(steps.store.get_meta(LINKS_META) or "")[0].get("last_ms") == 0
    steps.put(0)
    steps.round(30_000)
    assert json.loads(steps.store.get_meta(LINKS_META) or "")[0]["last_ms"] == BEGAN


def test_the_first_report_of_a_link_is_counted_at_once(steps: Steps) -> None:
    """Its values are on the screen by then: "nothing came" beside them is no help to who sets it up."""
    steps.round()
    steps.put(0)
    steps.round(1_000)
    (link,) = json.loads(steps.store.get_meta(LINKS_META) or "")
    assert link["last_ms"] == BEGAN
    # the twin: what follows waits for its half minute
    steps.put(0)
    steps.round(1_000)
    assert json.loads(steps.store.get_meta(LINKS_META) or "") == [link]


# -- the end -------------------------------------------------------------------------------------------


class Asked(Ending):
    def __init__(self) -> None:
        super().__init__()
        self.times = 0

    def ask(self) -> None:
        self.times += 1
        super().ask()


def test_the_common_deadline_runs_from_the_moment_of_asking(steps: Steps) -> None:
    ending = Asked()
    steps.service = steps.make(ending=ending)
    steps.service.stop()
    assert ending.times == 1


def test_the_service_manager_learns_when_it_is_ready_and_when_it_ends(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    """sd_notify(3)."""
    states: list[tuple[str, bool, int, bool]] = []
    rounds: list[int] = []
    monkeypatch.setattr(
        loop,
        "sd_notify",
        lambda state: states.append((state, steps.link.started.is_set(), len(rounds), steps.link.stopped)),
    )

    def one_round() -> None:
        rounds.append(1)
        steps.service.stop()

    monkeypatch.setattr(steps.service, "_round", one_round)
    assert steps.service.run()
    assert states == [("READY=1", True, 0, False), ("STOPPING=1", True, 1, False)]


class Taken:
    """A lock that another service has taken."""

    def keep(self) -> bool:
        return False


def test_where_another_service_has_the_store_nothing_is_written_any_more(
    steps: Steps, caplog: pytest.LogCaptureFixture
) -> None:
    ending = Asked()
    steps.service = steps.make(lock=Taken(), ending=ending)
    start = steps.link.start

    def starting(deliver: Deliver) -> None:
        start(deliver)
        steps.put(0)

    steps.link.start = starting  # type: ignore[method-assign]
    assert steps.service.run() is False
    assert steps.link.stopped and steps.link.acknowledged == [] and steps.stored() == 0
    assert steps.tries == [] and steps.metas == []
    assert ending.times and steps.service._stop.is_set()  # a link that waits for room is let go
    assert "has taken over this store" in caplog.text


@pytest.mark.parametrize("refused", [0, 1, 2])
def test_the_end_tries_twice_and_says_what_became_of_it(
    steps: Steps, caplog: pytest.LogCaptureFixture, refused: int
) -> None:
    """Before the links are let go, so that they can still acknowledge; and behind that where it is needed."""
    seen: list[tuple[int, bool]] = []
    stop = steps.link.stop

    def stopping() -> None:
        seen.append((len(steps.tries), LINKS_META in steps.metas))
        if refused < 2:
            steps.refuse = None
        stop()

    steps.link.stop = stopping  # type: ignore[method-assign]
    steps.refuse = StoreError("no room") if refused else None
    steps.put(0)
    steps.service.stop()
    assert steps.service.run() is (refused < 2)
    assert seen == [(1, refused == 0)]
    assert steps.tries == [True] * (2 if refused else 1)
    assert steps.link.acknowledged == ([] if refused == 2 else [0])
    assert ("the last reports are not kept" in caplog.text) is (refused == 2)


def test_what_a_link_brings_as_it_ends_is_kept_too(steps: Steps) -> None:
    steps.link.stop = lambda: steps.put(1)  # type: ignore[method-assign]
    steps.put(0)
    steps.service.stop()
    assert steps.service.run() is True
    assert steps.tries == [True, True] and steps.link.acknowledged == [0, 1]


# -- what is said of it --------------------------------------------------------------------------------


@pytest.mark.parametrize("gone", [0, 3])
def test_that_the_store_can_be_written_again_is_said_with_what_was_kept(
    steps: Steps, caplog: pytest.LogCaptureFixture, gone: int
) -> None:
    caplog.set_level("INFO")
    steps.refuse = StoreError("no room")
    steps.put(0)
    steps.round()
    steps.service._backlog.let_go = gone
    steps.refuse = None
    steps.round(500)
    assert "the store can be written again" in caplog.text
    assert ("all that waited is kept" in caplog.text) is not bool(gone)
    assert ("3 readings of serial lines found no room in memory" in caplog.text) is bool(gone)


def test_a_full_disk_that_takes_an_empty_commit_is_still_full(steps: Steps) -> None:
    steps.put(0)
    steps.round()
    assert "written-again-at" not in steps.metas  # a write too many where all is well
    steps.refuse = StoreError("no room")
    steps.notebook.wants = lambda now_ms: True  # type: ignore[method-assign]
    steps.round()
    assert not steps.service.is_well()
    steps.refuse = None
    steps.notebook.wants = lambda now_ms: False  # type: ignore[method-assign]
    set_meta = steps.store.set_meta

    def no_room(name: str, text: str) -> None:
        raise StoreError("no room")

    keep, steps.notebook.keep = steps.notebook.keep, lambda *_: None  # type: ignore[method-assign]
    steps.store.set_meta = no_room  # type: ignore[method-assign]
    steps.round(500)
    assert not steps.service.is_well()
    steps.store.set_meta, steps.notebook.keep = set_meta, keep  # type: ignore[method-assign]
    steps.round(1000)
    assert steps.service.is_well()


def test_what_an_old_link_still_brings_is_read_by_its_own_topics(steps: Steps) -> None:
    """A broker that serves until the new one is there goes on with the topics of its map."""
    settings = parse_settings(SETTINGS.replace('kind = "mqtt"', 'kind = "mqtt"\nhost = "cellar"'))
    settings.links[0].map.clear()  # type: ignore[union-attr]
    service = steps.service
    steps.put(0)
    assert service.settle()
    prepared = service.links.prepare(settings.links, lambda _: HandLink(steps.stored))
    service.renew(settings, prepared, service.maker.successor(settings, steps.store))
    for number in (0, 1):
        delivery = Delivery("hand", "shed/x/t", b"21.5", steps.now, False, number)
        service._queue.put(Arrival(number, delivery), threading.Event())
    steps.put(1)
    steps.round()
    assert steps.link.acknowledged == [0, 0, 1]
    assert steps.stored() == 3
    counts = steps.store.counters()
    assert counts["bad.topic"] == 1 and "hallway.repeated" not in counts  # the new link maps nothing


def test_a_successor_knows_what_was_kept_and_changes_nothing(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    for seq in range(3):
        steps.put(seq)
    assert steps.service.settle()
    with monkeypatch.context() as patch:
        patch.setattr(steps.store, "last_log_change", _refusing)
        with pytest.raises(StoreError):
            steps.service.maker.successor(steps.settings, steps.store)
    steps.service.maker = steps.service.maker.successor(steps.settings, steps.store)
    delivery = Delivery("hand", TOPIC, pack(2), steps.now, True, 2)
    steps.service._queue.put(Arrival(0, delivery), threading.Event())
    steps.round()
    assert steps.stored() == 3 and steps.store.counters()["hallway.repeated"] == 1


def _refusing() -> int:
    raise StoreError("can't be read")
