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
from typing import Any

__all__ = [
    "Heartbeat",
    "Sender",
    "WrongAddress",
    "address_fault",
    "backoff_ms",
    "masked",
    "send_by_apprise",
    "split_urls",
    "takes_pictures",
    "target_name",
]

log = logging.getLogger("rushlight.notices")

_FIRST_RETRY_MS = 10_000
_LAST_RETRY_MS = {"critical": 60_000, "high": 120_000}
_HEARTBEAT_TIMEOUT_S = 10
_TALKERS = ("apprise", "urllib3", "requests")

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


@functools.cache
def _apprise() -> Any:
    """The library, silenced before its first word: its messages can carry whole URLs, and so secrets."""
    for name in _TALKERS:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    import apprise

    for name in _TALKERS:  # whatever it has set for itself
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    return apprise


def _opened(url: str) -> Any:
    """The library's sender for a URL; it follows no redirect, for a notice that was sent on is not taken."""
    sender = _apprise().Apprise()
    try:
        known = sender.add(url)
    except Exception:  # its message may hold the URL
        known = False
    if not known:
        raise WrongAddress("not a URL that apprise knows")
    for channel in sender:
        channel.redirects = False
    return sender


class WrongAddress(ValueError):
    """What stands for a target is no address; says nothing of it."""


def masked(url: str) -> str:
    """A target as it may be shown: its short name, and what kind it is where that is a known word."""
    scheme, separator, _ = url.partition("://")
    _apprise()
    import apprise.manager_plugins

    kinds: Any = apprise.manager_plugins.NotificationManager
    known = bool(separator) and scheme.lower() in kinds()
    return f"{target_name(url)} ({scheme.lower() if known else 'no kind of address that is known'})"


def address_fault(url: str) -> str:
    """What is wrong in a target's URL, without the URL; "" where it can be used."""
    try:
        _opened(url)
    except WrongAddress as error:
        return str(error)
    return ""


@functools.lru_cache(maxsize=64)
def takes_pictures(url: str) -> bool:
    """Whether the channel of a URL can carry a picture; False for what is no URL."""
    try:
        return all(channel.attachment_support for channel in _opened(url))
    except WrongAddress:
        return False


def send_by_apprise(url: str, title: str, body: str, priority: str, picture: Path | None = None) -> bool:
    """Send one notice, with its picture where there is one, to one target through `apprise`."""
    apprise = _apprise()
    kinds = {
        "cleared": apprise.NotifyType.SUCCESS,
        "low": apprise.NotifyType.INFO,
        "medium": apprise.NotifyType.WARNING,
    }
    sender = _opened(url)
    if "overflow=" not in url.lower():
        # by default a channel refuses what is too long for it, and a refused notice never arrives
        for channel in sender:
            channel.overflow_mode = apprise.OverflowMode.SPLIT
    kind = kinds.get(priority, apprise.NotifyType.FAILURE)
    attached = None if picture is None else apprise.AppriseAttachment(str(picture))
    return bool(sender.notify(body=body, title=title, notify_type=kind, attach=attached))


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """An address that sends elsewhere has not heard of us: a router's login page answers everything."""

    def redirect_request(self, *_: object) -> None:
        return None


_HEARTBEAT = urllib.request.build_opener(_NoRedirect)


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
            with _HEARTBEAT.open(request, timeout=_HEARTBEAT_TIMEOUT_S):
                pass
        except Exception as error:  # a thread's traceback would show the URL
            self._next_ms = now_ms + min(60_000, self._every_ms)
            if not self._failed:
                log.warning("heartbeat failed (%s); trying again every minute", type(error).__name__)
            self._failed = True
            return
        self._failed = False
        self._next_ms = now_ms + self._every_ms
