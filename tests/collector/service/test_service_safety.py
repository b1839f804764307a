"""What the service promises, held at the places where a small fault would break it unseen."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from rushlight.collector.errors import StoreError
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.service.test_service import TOPIC, Bench, bench, pack
from tests.conftest import wait_for

__all__ = ["bench"]  # the fixture


def test_readings_and_what_is_made_of_them_are_one_transaction(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The readings come first: a snapshot's place is behind them. Nobody sees one without the other."""
    seen: list[tuple[int, int, int]] = []
    keep = bench.notebook.keep

    def looking(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        seen.append((len(bench.notebook.taken), store.position(), bench.stored()))
        if len(seen) == 1:
            raise StoreError("the disk is busy with something else")
        keep(store, now_ms, closing)

    monkeypatch.setattr(bench.notebook, "keep", looking)
    with bench.running() as link:
        for seq in range(3):
            link.give(TOPIC, pack(seq), seq)
        wait_for(lambda: len(link.acknowledged) == 3, "all to be acknowledged")
        assert bench.stored() == 3
    first, second, *_ = seen
    assert first[0] == first[1] == second[0] == second[1] > 0  # the readings are written when it is asked
    assert first[2] == second[2] == 0  # and others don't see them yet, nor after the failure
    assert link.stored_then[0] > 0


@pytest.mark.parametrize("recovers", [False, True], ids=["never", "at the last try"])
def test_what_could_not_be_kept_to_the_end_is_not_acknowledged(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, recovers: bool
) -> None:
    """The broker sends all of it again, and none of it is a repeat. Where the last try works, all is kept."""
    failed: list[bool] = []
    keep = bench.notebook.keep

    def failing(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        if not recovers or True not in failed:
            failed.append(closing)
            raise StoreError("no room")
        keep(store, now_ms, closing)

    bench.service = bench.make(most=1)
    with bench.running() as link:
        monkeypatch.setattr(bench.notebook, "keep", failing)
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: failed, "the first try")
        link.give(TOPIC, pack(1), 1)
    assert bench.whole is recovers
    assert failed.count(True) == (1 if recovers else 2)  # before the links are let go, and after
    assert link.acknowledged == ([0, 1] if recovers else [])
    assert bench.stored() == (2 if recovers else 0)
    monkeypatch.undo()
    bench.store.close()
    again = Bench(bench.path)
    with again.running() as link:
        for seq in (0, 1):
            link.give(TOPIC, pack(seq), seq, redelivered=True)
        wait_for(lambda: link.acknowledged == [0, 1], "both, sent again")
    assert [r.seq for r in again.store.readings("hallway", "temperature")] == [0, 1]
    assert again.store.counters() == ({"hallway.repeated": 2} if recovers else {})
    again.store.close()


def test_what_is_not_reported_yet_is_kept_without_any_reading(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench.notebook, "wants", lambda now_ms: bench.notebook.kept_times == 0)
    with bench.running():
        wait_for(lambda: bench.notebook.kept_times, "the listener to be heard")
        assert bench.store.get_meta("notebook") == "0"


def test_the_watchdog_is_fed_while_the_store_cannot_be_written(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service manager that killed it for that would lose what waits in memory (sd_watchdog_enabled(3))."""
    address = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(15)
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        monkeypatch.setenv("WATCHDOG_USEC", "200000")
        bench.service = bench.make()
        tries: list[bool] = []

        def failing(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
            tries.append(closing)
            raise StoreError("no room")

        monkeypatch.setattr(bench.notebook, "keep", failing)
        with bench.running() as link:
            link.give(TOPIC, pack(0), 0)
            wait_for(lambda: tries, "the first try")
            manager.setblocking(False)
            try:
                while manager.recv(100):
                    pass
            except BlockingIOError:
                pass
            manager.setblocking(True)
            manager.settimeout(15)
            assert manager.recv(100) == b"WATCHDOG=1"
            assert link.acknowledged == []


def test_an_end_is_asked_for_before_it_has_begun(bench: Bench) -> None:
    """A signal that comes early is not forgotten."""
    bench.service.stop()
    assert bench.service.run() is True
    assert bench.link.stopped and bench.notebook.closed


def test_the_store_that_cannot_be_written_is_no_well_being(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    service: CollectorService = bench.service
    with bench.running() as link:
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: link.acknowledged == [0], "the first")
        assert service.is_well()
        refuse = True
        tries: list[bool] = []
        keep = bench.notebook.keep

        def failing(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
            if refuse:
                tries.append(closing)
                raise StoreError("no room")
            keep(store, now_ms, closing)

        monkeypatch.setattr(bench.notebook, "keep", failing)
        link.give(TOPIC, pack(1), 1)
        wait_for(lambda: not service.is_well(), "it to be told of")
        wait_for(lambda: len(tries) >= 3, "it to be tried again and again, at short notice")
        refuse = False
        wait_for(lambda: link.acknowledged == [0, 1], "the second")
        wait_for(service.is_well, "all to be well again")


def test_a_listener_that_fails_at_the_end_costs_no_readings(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        raise ZeroDivisionError("the listener's own")

    def last_words() -> None:
        bench.link.give(TOPIC, pack(0), 0)

    monkeypatch.setattr(bench.notebook, "keep", broken)
    monkeypatch.setattr(bench.link, "stop", last_words)  # what a link had read already when it was ended
    with bench.running():
        pass
    assert bench.whole is True
    assert bench.link.acknowledged == [0] and bench.stored() == 1


def test_what_the_listener_could_not_keep_at_the_end_is_said(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def failing(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        raise StoreError("no room")

    monkeypatch.setattr(bench.notebook, "keep", failing)
    with bench.running():
        pass
    assert bench.whole is False
    assert "the last reports are not kept" in caplog.text


def test_a_commit_of_nothing_does_not_count_as_written(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also a full disk takes a commit in which there is nothing: so something is written to try it."""
    failed: list[int] = []
    tried: list[str] = []

    def fails_once(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        if not failed:
            failed.append(now_ms)
            raise StoreError("no room")

    def no_room(name: str, text: str) -> None:
        if failed:
            tried.append(name)
        raise StoreError("no room")

    with bench.running() as link:
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: link.acknowledged == [0], "the first")
        monkeypatch.setattr(bench.notebook, "wants", lambda now_ms: not failed)
        monkeypatch.setattr(bench.notebook, "keep", fails_once)
        monkeypatch.setattr(bench.store, "set_meta", no_room)
        wait_for(lambda: len(tried) >= 2, "it to be tried again")
        assert not bench.service.is_well()
        monkeypatch.undo()
        wait_for(bench.service.is_well, "all to be well again")


def test_what_a_failing_listener_has_to_say_goes_out_from_memory(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        raise ZeroDivisionError("the listener's own")

    with bench.running() as link:
        link.give(TOPIC, pack(0), 0)
        wait_for(lambda: link.acknowledged == [0], "the first")
        assert bench.notebook.held == []
        monkeypatch.setattr(bench.notebook, "keep", broken)
        link.give(TOPIC, pack(1), 1)
        wait_for(lambda: link.acknowledged == [0, 1], "the second")
        assert "the listener's own" in bench.notebook.held[0]
        assert not bench.service.is_well()
