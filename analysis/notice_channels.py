"""The ways out: targets of the `apprise` library, and the heartbeat.

URLs hold secrets: they are neither stored nor logged, a short hash stands for them.
"""

from __future__ import annotations

import functools
import hashlib
import logging
import re
import threading
import urllib.request
from collections.abc import Callable
from pathlib import Path

__all__ = [
    "Heartbeat",
    "Sender",
    "backoff_ms",
    "send_by_apprise",
    "split_urls",
    "takes_pictures",
    "target_name",
]

log = logging.getLogger("rushlight.notices")

_FIRST_RETRY_MS = 10_000
_LAST_RETRY_MS = {"critical": 60_000, "high": 120_000}
_HEARTBEAT_TIMEOUT_S = 10

Sender = Callable[..., bool]
"""Takes url, title, body, priority ("cleared" for good news) and, where there is one, the path of a picture;
True when the target took it."""


def split_urls(text: str) -> list[str]:
    """URLs of an environment variable, apart by white space, or by commas before a new `scheme://`."""
    parts = re.split(r"\s+|,\s*(?=[a-zA-Z][\w+.-]*://)", text.strip())
    return list(dict.fromkeys(part.strip(",") for part in parts if part.strip(",")))


def target_name(url: str) -> str:
    """What stands for a URL in the store and the log: 8 hex digits of its SHA-256, too few to guess by."""
    return hashlib.sha256(url.encode()).hexdigest()[:8]


def backoff_ms(attempts: int, priority: str) -> int:
    """Wait before the next attempt after `attempts` failures: doubling, to 15 min at most, less if urgent."""
    longest = _LAST_RETRY_MS.get(priority, 15 * 60_000)
    return min(_FIRST_RETRY_MS << min(max(attempts - 1, 0), 20), longest)


@functools.lru_cache(maxsize=64)
def takes_pictures(url: str) -> bool:
    """Whether the channel of a URL can carry a picture; False for what is no URL."""
    import apprise

    sender = apprise.Apprise()
    return bool(sender.add(url)) and all(channel.attachment_support for channel in sender)


def send_by_apprise(url: str, title: str, body: str, priority: str, picture: Path | None = None) -> bool:
    """Send one notice, with its picture where there is one, to one target through `apprise`."""
    import apprise

    # its messages can carry whole URLs
    for name in ("apprise", "urllib3"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    kinds = {
        "cleared": apprise.NotifyType.SUCCESS,
        "low": apprise.NotifyType.INFO,
        "medium": apprise.NotifyType.WARNING,
    }
    sender = apprise.Apprise()
    if not sender.add(url):
        raise ValueError("not a URL that apprise knows")
    if "overflow=" not in url.lower():
        # by default a channel refuses what is too long for it, and a refused notice never arrives
        for channel in sender:
            channel.overflow_mode = apprise.OverflowMode.SPLIT
    kind = kinds.get(priority, apprise.NotifyType.FAILURE)
    attached = None if picture is None else apprise.AppriseAttachment(str(picture))
    return bool(sender.notify(body=body, title=title, notify_type=kind, attach=attached))


class Heartbeat:
    """An outside address that is asked for while all is well, so that silence is noticed there.

    It is asked on a thread of its own, one question at a time: an address that hangs delays no notice. When
    it is time is for whoever sends the notices to say, so that the heartbeat stops where those are stuck.
    """

    def __init__(self, url: str, every_min: float, named: str) -> None:
        self._url = url.strip()
        self._every_ms = round(every_min * 60_000)
        self._next_ms = 0
        self._failed = False
        self._asking: threading.Thread | None = None
        if self._url and not self._url.lower().startswith(("http://", "https://")):
            log.error("%s is not an http(s) URL: no heartbeat is sent; mend it", named)
            self._url = ""

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
            with urllib.request.urlopen(request, timeout=_HEARTBEAT_TIMEOUT_S):
                pass
        except Exception as error:  # a thread's traceback would show the URL
            self._next_ms = now_ms + min(60_000, self._every_ms)
            if not self._failed:
                log.warning("heartbeat failed (%s); trying again every minute", type(error).__name__)
            self._failed = True
            return
        self._failed = False
        self._next_ms = now_ms + self._every_ms
