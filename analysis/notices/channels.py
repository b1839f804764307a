"""The ways out: targets of the `apprise` library.

URLs hold secrets: they are neither stored nor logged, a short hash is used in their place.
"""

from __future__ import annotations

import functools
import hashlib
import logging
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

__all__ = [
    "ANSWER_S",
    "Sender",
    "WrongAddress",
    "address_fault",
    "backoff_ms",
    "masked",
    "mistyped",
    "send_by_apprise",
    "split_urls",
    "takes_pictures",
    "target_name",
]

_FIRST_RETRY_MS = 10_000
_LAST_RETRY_MS = {"critical": 60_000, "high": 120_000}

ANSWER_S = 20.0
"""So long a target may take to answer. The library gives up after 4 s; a slow server has taken the notice all
the same, and would get it again and again. Less than `workers.LIMIT_S`. Common practice, no source."""

_TALKERS = ("apprise", "urllib3", "requests")

Sender = Callable[..., bool]
"""Takes url, title, body, priority ("cleared" for good news) and, where there is one, the path of a picture;
True when the target took it."""


def split_urls(text: str) -> list[str]:
    """URLs of an environment variable, apart by white space, or by commas before a new `scheme://`."""
    parts = re.split(r"\s+|,\s*(?=[a-zA-Z][\w+.-]*://)", text.strip())
    return list(dict.fromkeys(part.strip(",") for part in parts if part.strip(",")))


def target_name(url: str) -> str:
    """What is written for a URL in store and log: 8 hex digits of its SHA-256, too few to guess by."""
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
    """The library's sender for a URL; it follows no redirect, for a notice that was sent on is not taken.

    It waits for an answer as long as `ANSWER_S`, or as the URL says (`?rto=`) where that is longer.
    """
    sender = _apprise().Apprise()
    try:
        known = sender.add(url)
    except Exception:  # its message may hold the URL
        known = False
    if not known:
        raise WrongAddress("not a URL that apprise knows; docs/notices.md has some to copy")
    for channel in sender:
        channel.redirects = False
        channel.socket_read_timeout = max(channel.socket_read_timeout, ANSWER_S)
    return sender


def mistyped(text: str) -> list[str]:
    """Short names of what can be no address in an environment variable; told without the library."""
    return [target_name(url) for url in split_urls(text) if not re.match(r"[a-zA-Z][\w+.-]*://.", url)]


class WrongAddress(ValueError):
    """What is written for a target is no address, and reveals nothing of it."""


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
