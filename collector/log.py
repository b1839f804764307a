"""One clear line a cause: a log that says a thing once, counts the rest and says when it is over.

`log_to` sets up the program's log: nothing that came from outside gets a control character into it.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import TextIO

from rushlight.collector.safe_text import safe_lines, safe_text

__all__ = ["ClearLog", "Clock", "SafeFormatter", "log_to"]

Clock = Callable[[], int]
"""Gives the time as milliseconds since 1970, UTC."""

_MOST_CAUSES = 1000  # causes may carry a name from outside: don't let them fill the memory
_LONGEST_CAUSE = 200  # characters


class SafeFormatter(logging.Formatter):
    """A message is one line without control characters; a traceback keeps its lines."""

    def format(self, record: logging.LogRecord) -> str:
        safe = logging.makeLogRecord(record.__dict__)
        safe.msg, safe.args = safe_text(record.getMessage()), None
        return safe_lines(super().format(safe))


def log_to(stream: TextIO, level: int) -> None:
    """Let everything that is logged go to `stream`, safely; does nothing where a log is set up already.

    Times are the computer's own, to the second.
    """
    handler = logging.StreamHandler(stream)
    handler.setFormatter(SafeFormatter("%(asctime)s %(levelname)s %(message)s", "%Y-%m-%d %H:%M:%S"))
    logging.basicConfig(level=level, handlers=[handler])


class _Cause:
    __slots__ = ("lasts", "logged", "said_ms", "total", "unsaid")

    def __init__(self) -> None:
        self.said_ms: int | None = None
        self.lasts = False
        self.logged = False  # a line was written since it began
        self.total = 0
        self.unsaid = 0


class ClearLog:
    """Log at most one line a cause and period; safe to use from several threads.

    Parameters
    ----------
    logger : logging.Logger
    clock : callable
        Milliseconds since 1970.
    every_ms : int
        The same cause is said again after this long at the earliest.
    """

    def __init__(self, logger: logging.Logger, clock: Clock, every_ms: int = 60_000) -> None:
        self._logger = logger
        self._clock = clock
        self._every_ms = every_ms
        self._causes: dict[str, _Cause] = {}
        self._lock = threading.Lock()

    def say(self, cause: str, message: str, level: int = logging.WARNING) -> bool:
        """Count `cause` and log `message` unless the cause was said within the period.

        Returns
        -------
        bool
            True where a line was written.
        """
        now = self._clock()
        cause = cause[:_LONGEST_CAUSE]
        with self._lock:
            known = self._causes.get(cause)
            if known is None:
                if len(self._causes) >= _MOST_CAUSES:
                    del self._causes[next(iter(self._causes))]
                known = self._causes[cause] = _Cause()
            if not known.lasts:
                known.lasts, known.logged = True, False
            known.total += 1
            # a clock that was set back must not silence the log for as long as it was set back
            if known.said_ms is not None and 0 <= now - known.said_ms < self._every_ms:
                known.unsaid += 1
                return False
            unsaid, known.unsaid = known.unsaid, 0
            known.said_ms, known.logged = now, True
        more = f" (and {unsaid} more of these since the last such line)" if unsaid else ""
        self._logger.log(level, "%s%s", message, more)
        return True

    def over(self, cause: str, message: str, level: int = logging.INFO) -> bool:
        """Log that `cause` has passed, with how often it happened.

        Nothing is logged where the cause itself was kept back: a loose cable must not fill the log.

        Returns
        -------
        bool
            True where the cause lasted until now.
        """
        cause = cause[:_LONGEST_CAUSE]
        with self._lock:
            known = self._causes.get(cause)
            if known is None or not known.lasts:
                return False
            known.lasts = False
            if not known.logged:
                return True
            total, known.total, known.unsaid = known.total, 0, 0
        often = f" (happened {total} times)" if total > 1 else ""
        self._logger.log(level, "%s%s", message, often)
        return True

    @property
    def counts(self) -> dict[str, int]:
        """How often each cause that lasts has happened."""
        with self._lock:
            return {name: cause.total for name, cause in self._causes.items() if cause.lasts}
