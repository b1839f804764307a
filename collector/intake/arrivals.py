"""What links have delivered and no batch has taken yet: bounded by number and by bytes.

While the store can't be written nothing is taken, and a flood must not fill the memory meanwhile. A link that
finds no room is held up: a broker keeps what is to be acknowledged and drops what is not.
"""

from __future__ import annotations

import queue
import threading

from rushlight.collector.intake.batch import Arrival

__all__ = ["Waiting"]

_MOST = 20_000  # deliveries
_MOST_BYTES = 32 * 1024 * 1024
_BATCH_BYTES = 8 * 1024 * 1024  # in one batch, which is held while it can't be written
_OVERHEAD = 500  # bytes of the objects around one payload (380 by tracemalloc in CPython 3.11)
_LOOK_S = 0.05


class Waiting:
    """A queue that several links fill and one service empties.

    Parameters
    ----------
    most, most_bytes : int
        Beyond either `put` waits.
    """

    def __init__(self, most: int = _MOST, most_bytes: int = _MOST_BYTES) -> None:
        self._most = most
        self._most_bytes = most_bytes
        self._queue: queue.SimpleQueue[Arrival] = queue.SimpleQueue()  # much faster than Queue
        self._lock = threading.Lock()
        self._bytes_in = 0  # ever; changed by links, under the lock
        self._bytes_out = 0  # ever; changed by the service only

    def qsize(self) -> int:
        """How many wait."""
        return self._queue.qsize()

    def empty(self) -> bool:
        """Whether none waits."""
        return self._queue.empty()

    def waiting_bytes(self) -> int:
        """What they take, about."""
        return self._bytes_in - self._bytes_out

    def put(self, arrival: Arrival, stop: threading.Event) -> bool:
        """Put one in, waiting for room; False where `stop` was set meanwhile, and it is not taken."""
        size = _size(arrival)
        while True:
            with self._lock:
                room = self._bytes_in - self._bytes_out < self._most_bytes
                if room and self._queue.qsize() < self._most:
                    self._bytes_in += size
                    self._queue.put(arrival)
                    return True
            if stop.wait(_LOOK_S):
                return False

    def get(self, timeout: float) -> Arrival:
        """The next one; queue.Empty where none comes within `timeout` seconds."""
        return self._out(self._queue.get(timeout=timeout))

    def get_nowait(self) -> Arrival:
        """The next one; queue.Empty where there is none."""
        return self._out(self._queue.get_nowait())

    def fill(self, arrivals: list[Arrival], most: int) -> bool:
        """Move what waits to `arrivals`; True where these are a whole batch, by number or by bytes."""
        size = sum(map(_size, arrivals))
        get = self._queue.get_nowait
        room = most - len(arrivals)
        while room > 0 and size < _BATCH_BYTES:
            try:
                arrival = get()
            except queue.Empty:
                return False
            arrivals.append(arrival)
            bytes_ = _size(arrival)
            self._bytes_out += bytes_
            size += bytes_
            room -= 1
        return True

    def _out(self, arrival: Arrival) -> Arrival:
        self._bytes_out += _size(arrival)
        return arrival


def _size(arrival: Arrival) -> int:
    delivery = arrival.delivery
    return len(delivery.payload) + len(delivery.topic or "") + _OVERHEAD
