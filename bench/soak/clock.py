"""The soak's clock: many times as fast as the machine's, and the collector's may be stepped away from it.

Alarms, reminders and deadlines take minutes to hours; on a fast clock a run of minutes holds a day of them.
Boards and harness go by `now_ms`; the collector by the same plus the step (`clockstep.c` reads the file).
"""

from __future__ import annotations

import struct
import time
from pathlib import Path

__all__ = ["FastClock"]


class FastClock:
    """Runs from `start_ms` at `rate` times the machine's pace.

    Parameters
    ----------
    path : Path
        The file that is shared with the collector: the step in ns, the rate, and the monotonic and the wall
        clock's ns at the beginning.
    start_ms : int
        What it shows at the beginning, ms UTC.
    rate : int
        Its seconds in one of the machine's.

    Attributes
    ----------
    steps : list of (int, int)
        When the collector's clock was put how far away from this one: ms, ms; in order.
    """

    def __init__(self, path: Path, start_ms: int, rate: int = 1) -> None:
        self.rate = rate
        self.steps: list[tuple[int, int]] = [(start_ms, 0)]
        self._path = path
        self._start_ns = start_ms * 1_000_000
        self._began_ns = time.monotonic_ns()
        path.write_bytes(struct.pack("=qqqq", 0, rate, self._began_ns, self._start_ns))

    def now_ms(self) -> int:
        """The boards' time, ms UTC."""
        return (self._start_ns + (time.monotonic_ns() - self._began_ns) * self.rate) // 1_000_000

    def step(self, seconds: float) -> None:
        """Put the collector's clock that far from the boards'."""
        self.steps.append((self.now_ms(), round(seconds * 1000)))
        with self._path.open("r+b", buffering=0) as file:
            file.write(struct.pack("=q", round(seconds * 1e9)))

    def was_right(self, from_ms: int, to_ms: int) -> bool:
        """Whether the collector's clock was this one all that time."""
        offset = 0
        for at_ms, now in self.steps:
            if at_ms > to_ms:
                break
            if at_ms <= from_ms:
                offset = now
            elif offset or now:
                return False
        return offset == 0
