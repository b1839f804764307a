"""An outside address that is asked for while all is well."""

from __future__ import annotations

import logging
import threading
import urllib.request
from collections.abc import Callable

__all__ = ["Heartbeat"]

log = logging.getLogger("rushlight.notices")

_HEARTBEAT_TIMEOUT_S = 10


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """An address that sends elsewhere has not heard of us: a router's login page answers everything."""

    def redirect_request(self, *_: object) -> None:
        return None


_HEARTBEAT = urllib.request.build_opener(_NoRedirect)


class Heartbeat:
    """An outside address that is asked for while all is well, so that silence is noticed there.

    It is asked on a thread of its own, one question at a time: an address that hangs delays no notice. When
    it is time is for whoever sends the notices to say, so that the heartbeat stops where those are stuck.

    Attributes
    ----------
    failed : bool
        It did not answer when it was asked last.
    answered_ms : int
        When it was asked and answered last (ms UTC), -1 for never since the start.
    """

    def __init__(self, url: str, every_min: float, named: str) -> None:
        self._url = url.strip()
        self._every_ms = round(every_min * 60_000)
        self._next_ms = 0
        self.failed = False
        self.answered_ms = -1
        self._asking: threading.Thread | None = None
        if self._url and not self._url.lower().startswith(("http://", "https://")):
            log.error("%s is not an http(s) URL: no heartbeat is sent; correct it", named)
            self._url = ""

    @property
    def set(self) -> bool:
        """Whether there is an address that can be asked."""
        return bool(self._url)

    def beat(self, now_ms: int, well: Callable[[], bool]) -> bool:
        """Begin to ask for the address if it is time and all is well; True where it has begun."""
        if not self._url or not self.wait(0):
            return False
        # a clock that was put back must not stop this for as long
        if 0 < self._next_ms - now_ms <= max(60_000, self._every_ms) or not well():
            return False
        self._asking = threading.Thread(target=self._ask, args=(now_ms,), name="heartbeat", daemon=True)
        self._asking.start()
        return True

    def wait(self, seconds: float) -> bool:
        """Wait for the answer to what is being asked; False where there is none within `seconds`."""
        if self._asking is not None:
            self._asking.join(seconds)
            if self._asking.is_alive():
                return False
        self._asking = None
        return True

    def _ask(self, now_ms: int) -> None:
        try:
            request = urllib.request.Request(self._url, headers={"User-Agent": "rushlight"})
            with _HEARTBEAT.open(request, timeout=_HEARTBEAT_TIMEOUT_S):
                pass
        except Exception as error:  # a thread's traceback would show the URL
            self._next_ms = now_ms + min(60_000, self._every_ms)
            if not self.failed:
                log.warning("heartbeat failed (%s); trying again every minute", type(error).__name__)
            self.failed = True
            return
        self.failed = False
        self.answered_ms = now_ms
        self._next_ms = now_ms + self._every_ms
