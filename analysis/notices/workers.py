"""Sends on threads of their own, so that a target that hangs or drips holds up no other.

The time-outs of a library count from one byte to the next: a target that sends a byte now and then holds a
sending for as long as it likes. So nobody waits here for more than a moment, and a sending that has not come
back is neither believed nor repeated beside itself without end.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

__all__ = ["LIMIT_S", "MOST_HUNG", "PATIENCE_S", "PatientSender", "SlowTarget"]

PATIENCE_S = 3.0
"""So long the other targets wait for one; what takes longer goes on by itself. Common practice, no source."""
LIMIT_S = 30.0
"""What has not come back by then is given up and may be tried again. Common practice, no source."""
MOST_HUNG = 3
"""So many sendings to one target may hang at a time; then it is left alone until one ends. Common practice,
no source."""
_REMEMBERED_S = 600.0

Send = Callable[..., bool]


class SlowTarget(Exception):
    """A target has not answered yet; what it does later is seen at the next try."""


class _Sending:
    """One sending on its thread."""

    def __init__(self, send: Send, url: str, title: str, body: str, rest: tuple[str | Path, ...]) -> None:
        self.text = (title, body)
        self.began = time.monotonic()
        self.taken = False
        self.error: Exception | None = None
        self._over = threading.Event()

        def work() -> None:
            try:
                self.taken = send(url, title, body, *rest)
            except Exception as error:  # reported by whoever waits, if anybody does
                self.error = error
            finally:
                self._over.set()

        threading.Thread(target=work, name="notice", daemon=True).start()

    def over(self, wait_s: float = 0.0) -> bool:
        return self._over.wait(wait_s)

    @property
    def age_s(self) -> float:
        return time.monotonic() - self.began


class PatientSender:
    """A sender that gives each target its own thread and a moment's patience.

    Parameters
    ----------
    send : callable
        Sends one notice to one URL: url, title, body, priority and, where there is one, a picture.
    patience_s, limit_s : float
        As the constants say.
    """

    def __init__(self, send: Send, patience_s: float = PATIENCE_S, limit_s: float = LIMIT_S) -> None:
        self._send = send
        self._patience_s = patience_s
        self._limit_s = limit_s
        self._sendings: dict[str, list[_Sending]] = {}

    def __call__(self, url: str, title: str, body: str, *rest: str | Path) -> bool:
        """True when the target took it, False when it did not.

        Raises
        ------
        SlowTarget
            Nothing is known yet: it is still on its way, or too many before it have not come back.
        """
        sendings = self._sendings.setdefault(url, [])
        late = next((one for one in sendings if one.text == (title, body) and one.over() and one.taken), None)
        # what is over and was not asked for again has nothing more to say after a while
        sendings[:] = [one for one in sendings if not one.over() or one.age_s < _REMEMBERED_S]
        if late is not None:
            sendings[:] = [one for one in sendings if one is not late]
            return True
        hanging = [one for one in sendings if not one.over()]
        if len(hanging) >= MOST_HUNG or any(one.age_s < self._limit_s for one in hanging):
            raise SlowTarget
        sending = _Sending(self._send, url, title, body, rest)
        if not sending.over(self._patience_s):
            sendings.append(sending)
            raise SlowTarget
        if sending.error is not None:
            raise sending.error
        return sending.taken
