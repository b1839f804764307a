"""A whole sensor node: a scene played into a pseudo-terminal by a thread of its own."""

from __future__ import annotations

import threading
import time
from types import TracebackType

from rushlight.simulator.microcontroller import Firmware, PtyLine
from rushlight.simulator.scene import Scene

__all__ = ["SimulatedNode"]


class SimulatedNode:
    """Plays a scene into a serial port.

    Parameters
    ----------
    scene : Scene
    speed : float or None
        Simulated seconds per real second; None: as fast as the reader takes it.
    wait_for_reader : bool
        Begin when a reader has opened the port (the default) or at once.

    Examples
    --------
    >>> with SimulatedNode(SCENE) as node:        # doctest: +SKIP
    ...     serial.Serial(node.port)
    """

    def __init__(self, scene: Scene, speed: float | None = None, wait_for_reader: bool = True) -> None:
        if speed is not None and speed <= 0:
            raise ValueError(f"speed {speed:g} must be more than 0 simulated seconds per second")
        self._scene = scene
        self._speed = speed
        self._wait_for_reader = wait_for_reader
        self._line = PtyLine()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="simulated-node", daemon=True)
        self.port: str = self._line.port
        self.sent = 0  # reports written
        self.time_ms = scene.start_ms  # simulated time of the report being written: a clock for the demo
        self.finished = False  # every report was written and the reader has taken it
        self.error: Exception | None = None  # what ended the thread, if it was not the end

    def start(self) -> None:
        """Begin to play."""
        self._thread.start()

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the end; whether it has come. Raises what went wrong in the thread, if anything did."""
        self._thread.join(timeout_s)
        if self.error is not None:
            raise self.error
        return not self._thread.is_alive()

    def close(self) -> None:
        """Stop, if still playing, and hang up."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        self._line.close()

    def __enter__(self) -> SimulatedNode:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _run(self) -> None:
        try:
            self._play()
        except Exception as error:  # kept for join(): a thread's exception would only be printed
            self.error = error

    def _play(self) -> None:
        if self._wait_for_reader and not self._line.wait_for_reader(self._stop):
            return
        firmware = Firmware(self._scene.tank)
        began = time.monotonic()
        for report in self._scene.play():
            if self._speed is not None:
                due = began + (report.time_ms - self._scene.start_ms) / 1000 / self._speed
                if self._stop.wait(max(0.0, due - time.monotonic())):
                    return
            data = firmware.boot() if report.booted else b""
            data += firmware.line(report.time_ms, report.values)
            self.time_ms = report.time_ms  # first, so that no reader sees a report from this clock's future
            if not self._line.write(data, self._stop):
                return
            self.sent += 1
        self.finished = self._line.wait_until_read(self._stop)
