"""A service that goes on by other settings, and what it takes up from an earlier run, one round at a time."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from rushlight.collector.errors import StoreError
from rushlight.collector.intake.batch import Arrival
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.service import loop
from rushlight.collector.service.let_go import LET_GO_META
from rushlight.collector.service.listener import LINKS_META
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.service.test_service import SETTINGS, TOPIC, HandLink, pack
from tests.collector.service.test_service_steps import Steps, steps
from tests.conftest import wait_for

__all__ = ["steps"]

LOFT = """
[tanks.loft]
volume_litres = 30
timezone = "UTC"
[tanks.loft.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""
KEPT = "[store]\nkeep_days = { light = 90 }\n"
OTHER = SETTINGS.replace('kind = "mqtt"', 'kind = "mqtt"\nhost = "cellar"').replace("shed/+/t", "attic/t")


def other() -> Settings:
    return parse_settings(OTHER + LOFT + KEPT)


def renew(steps: Steps) -> HandLink:
    """Go over to another broker with another map, and one tank more; the new broker's link."""
    made = HandLink(steps.stored)
    service, settings = steps.service, other()
    assert service.settle()
    prepared = service.links.prepare(settings.links, lambda _: made)
    service.renew(settings, prepared, service.maker.successor(settings, steps.store))
    return made


def bring(steps: Steps, link: int, topic: str, payload: bytes) -> None:
    delivery = Delivery("hand", topic, payload, steps.now, False, 9)
    steps.service._queue.put(Arrival(link, delivery), threading.Event())
    steps.round()


def test_the_new_link_serves_and_the_old_one_ends_when_it_is_there(steps: Steps) -> None:
    before = steps.link
    after = renew(steps)
    assert after.started.is_set() and steps.service.links.in_force() == [after]
    steps.round()
    assert not before.stopped  # the other is not there yet
    after.counters["subscribed"] = 1
    steps.round(1000)
    wait_for(lambda: before.stopped, "the old link to be let go")


def test_what_comes_is_read_by_the_new_settings(steps: Steps) -> None:
    renew(steps)
    bring(steps, 1, "attic/t", b"21.5")  # a topic that only the new map has
    assert steps.stored() == 1 and "bad.topic" not in steps.store.counters()
    bring(steps, 1, "rushlight/loft/readings", pack(0, "loft"))  # a tank that is new
    assert steps.stored() == 2 and sorted(steps.store.tanks()) == ["loft", "shed"]


def test_days_are_packed_and_links_said_by_the_new_settings(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps.round()
    assert steps.metas.count(LINKS_META) == 1
    renew(steps)
    assert steps.service._packing._settings == other().store
    steps.round(1000)  # at once, not in half a minute
    assert steps.metas.count(LINKS_META) == 2


def test_the_links_that_end_are_kept_up_to_date(steps: Steps) -> None:
    after = renew(steps)
    steps.round()
    assert '"host":"localhost"' in (steps.store.get_meta(LET_GO_META) or "")
    after.counters["subscribed"] = 1
    steps.round(1000)
    steps.round(30_000)
    assert steps.store.get_meta(LET_GO_META) == "[]"


def test_settling_keeps_what_has_come_and_is_refused_where_the_store_is(steps: Steps) -> None:
    steps.put(0)
    assert steps.service.settle() is True
    assert steps.stored() == 1 and steps.link.acknowledged == [0]
    steps.refuse = StoreError("no room")
    steps.put(1)
    assert steps.service.settle() is False and steps.link.acknowledged == [0]
    # not known to take anything again: its time to be tried has not come
    steps.refuse = None
    tries = len(steps.tries)
    steps.put(2)
    assert steps.service.settle() is False and len(steps.tries) == tries
    steps.round(500)
    assert steps.link.acknowledged == [0, 1, 2] and steps.service.settle() is True


def test_others_have_their_turn_in_each_round(steps: Steps) -> None:
    turns: list[int] = []
    steps.service.between = lambda: turns.append(len(steps.link.acknowledged))
    steps.put(0)
    steps.round()
    steps.round()
    assert turns == [1, 1]  # when what came is kept


def test_what_the_listener_keeps_is_as_of_the_readings_that_were_written(steps: Steps) -> None:
    """A snapshot is as of a position in the store: with one that is too small readings are judged twice."""
    positions: list[int] = []
    keep = steps.notebook.keep

    def noting(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        positions.append(store.position())
        keep(store, now_ms, closing)

    steps.notebook.keep = noting  # type: ignore[method-assign]
    for seq in range(3):
        steps.put(seq)
        steps.round()
    assert positions == [1, 2, 3]


def test_the_keepers_log_is_followed_each_second(steps: Steps, monkeypatch: pytest.MonkeyPatch) -> None:
    """A calibration holds from then on."""
    found: list[EmbeddedStore] = []
    monkeypatch.setattr(steps.service.maker, "follow_log", found.append)
    steps.round()
    steps.round(999)
    assert found == [steps.store]
    steps.round(1)
    assert found == [steps.store] * 2


def test_a_start_knows_what_an_earlier_run_has_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loop, "_BATCH_S", 0.002)
    for run in range(2):
        made = Steps(tmp_path / "rushlight.db")
        for seq in (0, 1, 2):
            delivery = Delivery("hand", TOPIC, pack(seq), made.now, run > 0, seq)
            made.service._queue.put(Arrival(0, delivery), threading.Event())
        made.service.stop()
        assert made.service.run() is True
        assert made.link.acknowledged == [0, 1, 2] and made.stored() == 3
        made.store.close()
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        assert store.counters()["hallway.repeated"] == 3
