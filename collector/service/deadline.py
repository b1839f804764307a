"""One deadline for all that has to end when the service is asked to."""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Sequence

from rushlight.collector.links import Link

__all__ = ["Ending", "end_links"]

_log = logging.getLogger("rushlight")

_WITHIN_S = 8.0  # Docker kills after 10
_STUCK_S = 22.0  # then what is still to be kept is given up: the disk, the store's lock or the log hangs
_LINK_S = 0.5  # for a link to end, also where the store has used up all the time
_STUCK = "stuck while ending: ended by force; what was not acknowledged comes again, the rest is lost"


class Ending:
    """From the moment that the end was asked for, everything together has `within_s`.

    Parameters
    ----------
    within_s : float
        For what talks to others: links, notices, servers, browsers. To keep what has come may take longer.
    """

    def __init__(self, within_s: float = _WITHIN_S) -> None:
        self._within_s = within_s
        self._until: float | None = None
        self._asked = threading.Event()
        self._done = threading.Event()
        self._status = 1

    def ask(self) -> None:
        """The time runs from now on, at the first call; safe in a signal handler."""
        if self._until is None:
            self._until = time.monotonic() + self._within_s
            self._asked.set()

    def left(self) -> float:
        """Seconds that may still be waited, 0 at least; the time runs from the first question."""
        self.ask()
        assert self._until is not None
        return max(0.0, self._until - time.monotonic())

    def done(self, status: int) -> None:
        """All is kept and closed; the process may end with that status at any time now."""
        self._status = status
        self._done.set()

    def be_forced(self) -> None:
        """End the whole process in time, whatever hangs: for the process of the service only.

        Python waits at its end for threads of libraries, for as long as a channel of notices takes.
        """
        threading.Thread(target=self._force, name="ending", daemon=True).start()

    def _force(self) -> None:
        self._asked.wait()
        if not self._done.wait(self.left() + _STUCK_S):
            # where nobody reads what is logged, this would hang as well
            telling = threading.Thread(target=_log.error, args=(_STUCK,), daemon=True)
            telling.start()
            telling.join(1)
        time.sleep(self.left())
        os._exit(self._status)


def end_links(links: Sequence[Link], ending: Ending) -> None:
    """Stop the links, side by side; one whose other end hangs is left to itself."""
    threads = [threading.Thread(target=link.stop, name=f"stop {link.name}", daemon=True) for link in links]
    for thread in threads:
        thread.start()
    for thread, link in zip(threads, links, strict=True):
        thread.join(max(_LINK_S, ending.left()))
        if thread.is_alive():
            logging.getLogger("rushlight.collector").warning(
                "%s did not end in time; what it brings now is not taken", link.name
            )
