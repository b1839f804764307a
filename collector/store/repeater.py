"""A thread that does one thing again and again until it is asked to end."""

from __future__ import annotations

import threading

__all__ = ["Repeater"]


class Repeater:
    """Runs `once` every `every_s` seconds, or at once while there is more; then `close`, on the same thread.

    Parameters
    ----------
    name : str
        For messages about what does not end.
    thread : str
        The thread's name.
    every_s : float
        How long to wait where `once` has left nothing, s.
    within_s : float
        How long `stop` waits where its caller does not say, s.
    """

    def __init__(self, name: str, thread: str, every_s: float, within_s: float) -> None:
        self.name = name
        self._every_s = every_s
        self._within_s = within_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=thread, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def leave(self) -> None:
        """Ask for the end."""
        self._stop.set()

    def stop(self, timeout_s: float | None = None) -> bool:
        """End after what is being done.

        False where it has not ended within `timeout_s`; it is left to itself then.
        """
        self.leave()
        self._thread.join(self._within_s if timeout_s is None else timeout_s)
        return not self._thread.is_alive()

    def once(self) -> bool:
        """Do it, and say whether there is more; must raise nothing, or it was the last time."""
        raise NotImplementedError

    def close(self) -> None:
        """Let go of what is open."""
        raise NotImplementedError

    def _run(self) -> None:
        while not self._stop.is_set():
            if not self.once():
                self._stop.wait(self._every_s)
        self.close()
