"""A thread that does one thing again and again: until it is asked to end, and no longer."""

from __future__ import annotations

import threading
import time

import pytest

from rushlight.collector.store.repeater import Repeater
from tests.conftest import wait_for


class Counting(Repeater):
    """Does nothing so many times without a pause, and holds on where the test says so."""

    def __init__(self, more: int = 0, every_s: float = 60.0, within_s: float = 10.0) -> None:
        super().__init__("the counting", "counting", every_s, within_s)
        self.more = more
        self.done = 0
        self.closed: list[str] = []
        self.go = threading.Event()
        self.go.set()

    def once(self) -> bool:
        self.done += 1
        assert self.go.wait(20)
        return self.done <= self.more

    def close(self) -> None:
        self.closed.append(threading.current_thread().name)


def test_it_goes_on_at_once_while_there_is_more_and_waits_then() -> None:
    one = Counting(more=3)
    assert one.name == "the counting"  # for what is said of one that does not end
    one.start()
    wait_for(lambda: one.done == 4, "all of it")
    time.sleep(0.05)
    assert one.done == 4 and one.closed == []
    assert one.stop()  # it does not wait for the minute to be over
    assert one.closed == ["counting"] and one.done == 4
    assert one._thread.daemon  # one that hangs keeps no process alive


def test_it_begins_anew_after_its_pause() -> None:
    one = Counting(every_s=0.01)
    one.start()
    wait_for(lambda: one.done > 3, "some rounds")
    assert one.stop()


@pytest.mark.parametrize("within_s", [None, 0.05])
def test_one_that_does_not_end_is_left_to_itself(within_s: float | None) -> None:
    one = Counting(within_s=0.05 if within_s is None else 60.0)
    one.go.clear()
    one.start()
    began = time.monotonic()
    assert one.stop(within_s) is False and one.closed == []
    assert time.monotonic() - began < 10
    one.go.set()
    assert one.stop(10)
    assert one.closed == ["counting"] and one.done == 1


def test_asked_to_end_it_ends_by_itself() -> None:
    one = Counting()
    one.start()
    wait_for(lambda: one.done, "the first round")
    one.leave()
    wait_for(lambda: one.closed, "its end")
    assert one.done == 1
