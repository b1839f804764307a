"""Threads of the service that run one at a time, by a clock that is made up.

The service's own loops run unchanged, each on a thread. Where such a loop would wait (for a delivery, for
the next second, for a store that is full), it hands over to the world here, which moves time on and wakes
whoever is due. Only one thread ever runs, so a run is the same each time, and hours pass in a second.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable
from typing import Any

__all__ = ["Inbox", "Killed", "StopFlag", "Task"]

IDLE_S = 10.0
"""A loop that waits for less is woken after this: what happens a little later is all that it changes."""
GLANCE_S = 0.1  # a shorter wait is a look whether more has come; it is answered at once

_here = threading.local()


class Killed(BaseException):
    """The process is gone at this very place: nothing of it runs any more but what unwinds."""


class Task:
    """A thread that runs only between `resume` and its next `pause`."""

    def __init__(self, name: str, body: Callable[[], object], wake_ms: int) -> None:
        self.name = name
        self.wake_ms = wake_ms
        self.done = False
        self.doomed = False
        self.result: object = None
        self.error: BaseException | None = None
        self._body = body
        self._go = threading.Semaphore(0)
        self._back = threading.Semaphore(0)
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    @staticmethod
    def here() -> Task | None:
        """The task on whose thread this is called, None on a thread of the test's."""
        return getattr(_here, "task", None)

    def resume(self) -> None:
        """Let it run until it waits again or has ended."""
        self._go.release()
        self._back.acquire()

    def pause(self, until_ms: int) -> None:
        """Wait, on its own thread; `Killed` where the process has been killed meanwhile."""
        if self.doomed:
            raise Killed
        self.wake_ms = until_ms
        self._back.release()
        self._go.acquire()
        if self.doomed:
            raise Killed

    def _run(self) -> None:
        _here.task = self
        self._go.acquire()
        try:
            if not self.doomed:
                self.result = self._body()
        except Killed:
            pass
        except BaseException as error:
            self.error = error
        finally:
            self.done = True
            self._back.release()


class StopFlag:
    """In the place of a loop's `threading.Event`: waiting lets the made-up time pass."""

    def __init__(self, now: Callable[[], int], before: Callable[[], object] = lambda: None) -> None:
        self._now = now
        self._before = before
        self._set = False
        self._waiting: list[Task] = []

    def set(self) -> None:
        self._set = True
        for task in self._waiting:
            task.wake_ms = self._now()

    def is_set(self) -> bool:
        task = Task.here()
        if task is not None and task.doomed:
            raise Killed
        return self._set

    def wait(self, timeout: float | None = None) -> bool:
        task = Task.here()
        if task is None:
            return True  # a link that is held up by a full queue: it can't deliver now
        self._before()
        if not self.is_set():
            self._waiting.append(task)
            seconds = IDLE_S if timeout is None else max(timeout, IDLE_S)
            try:
                task.pause(self._now() + round(seconds * 1000))
            finally:
                self._waiting.remove(task)
        return self._set


class Inbox:
    """In the place of the service's queue."""

    def __init__(self, now: Callable[[], int]) -> None:
        self._now = now
        self._items: deque[Any] = deque()
        self._waiting: Task | None = None

    def put(self, item: Any) -> None:
        self._items.append(item)
        if self._waiting is not None:
            self._waiting.wake_ms = self._now()

    def get(self, block: bool = True, timeout: float | None = None) -> Any:
        task = Task.here()
        if not self.qsize() and task is not None and block and (timeout is None or timeout >= GLANCE_S):
            self._waiting = task
            try:
                task.pause(self._now() + round(IDLE_S * 1000))
            finally:
                self._waiting = None
        return self.get_nowait()

    def get_nowait(self) -> Any:
        if not self.qsize():
            raise queue.Empty
        return self._items.popleft()

    def qsize(self) -> int:
        task = Task.here()
        if task is not None and task.doomed:
            raise Killed
        return len(self._items)

    def empty(self) -> bool:
        return not self.qsize()
