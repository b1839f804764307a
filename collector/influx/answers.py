"""What an InfluxDB server's answer means, in words: wait and try again, or these readings are at fault."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from email.utils import parsedate_to_datetime

from rushlight.collector.errors import RushlightError, ServerAway
from rushlight.collector.settings import StoreSettings

__all__ = ["BatchRefused", "BatchTooLarge", "from_status", "from_transport", "split_bucket", "token_of"]

_LONGEST_WAIT_S = 3600.0
_WORDS = 300  # characters of a server's own words that are shown
_DROPPED = re.compile(r"\bdropped[= ](\d+)")
_ORGANISATION = re.compile(r"\borg(anization|ID)?\b", re.IGNORECASE)


class BatchRefused(RushlightError):
    """The server won't take these readings, now or later; `dropped` is how many, where it says so."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        found = _DROPPED.search(reason)
        self.dropped = int(found[1]) if found else 0
        self.too_old = "retention policy" in reason


class BatchTooLarge(RushlightError):
    """The server, or a proxy before it, wants fewer readings at a time (HTTP 413)."""


def token_of(settings: StoreSettings) -> str | None:
    """The token from the environment; None where there is none."""
    return os.environ.get(settings.token_env) or None if settings.token_env else None


def split_bucket(bucket: str) -> tuple[str, str | None]:
    """Database and retention policy of a bucket, as InfluxDB 1.8 and the mapping of 2.x name it."""
    database, _, policy = bucket.partition("/")
    return database, policy or None


def from_transport(settings: StoreSettings, error: Exception) -> ServerAway:
    """No answer at all: refused, unknown host, too slow, cut off.

    Parameters
    ----------
    settings : StoreSettings
    error : Exception
        Of urllib3.
    """
    from urllib3.exceptions import ProtocolError, ReadTimeoutError

    reason = str(error).rpartition(": ")[2].strip("()'\" ") or type(error).__name__
    # while it still sends, urllib3 hands on Python's own error within one of its own
    if isinstance(error, ReadTimeoutError) or any(isinstance(of, TimeoutError) for of in error.args):
        return ServerAway(
            f"InfluxDB at {settings.url} does not answer in time; it is overloaded, or the way to it is slow",
            slow=True,
        )
    return ServerAway(
        f"InfluxDB at {settings.url} can't be reached ({reason}); is it running, and is store.url right?",
        cut_off=isinstance(error, ProtocolError),
    )


def from_status(
    settings: StoreSettings, status: int, body: str, headers: Mapping[str, str] | None = None
) -> RushlightError:
    """The error that an answer other than "taken" means."""
    words = _words(body)
    where = f"InfluxDB at {settings.url}"
    said = f"HTTP {status}" + (f": {words}" if words else "")
    if status == 413:
        return BatchTooLarge(f"{where} takes no batch of this size ({said})")
    if status in (401, 403):
        return ServerAway(f"{where} {_about_token(settings)} ({said})")
    about_org = _ORGANISATION.search(words) and "unable to parse" not in words
    if status in (400, 404) and about_org:
        return ServerAway(f"{where} does not know organisation {settings.org!r} ({said}); correct store.org")
    if status == 404 and "page not found" in words:
        return ServerAway(f"{where} has no /api/v2/write ({said}); InfluxDB 1.8 or newer is needed")
    if status == 404:
        return ServerAway(
            f"{where} has no bucket {settings.bucket!r} ({said}); make it there, or correct store.bucket"
        )
    if status in (400, 422):
        return BatchRefused(words or said)
    wait_s = _wait_s(headers or {})
    if status in (502, 504):  # only a proxy says these (RFC 9110, sections 15.6.3 and 15.6.5)
        what = (
            "can't reach InfluxDB behind it"
            if status == 502
            else "gets no answer in time from InfluxDB behind it"
        )
        return ServerAway(
            f"the proxy at {settings.url} {what} ({said}); is InfluxDB running, and does the proxy have its "
            "right address?",
            wait_s=wait_s,
            slow=status == 504,
            cut_off=status == 502,
        )
    if status == 429:
        return ServerAway(f"{where} asks for fewer writes ({said}); it is tried again later", wait_s=wait_s)
    return ServerAway(
        f"{where} can't do its work now ({said}); look at its disk, its memory and its log", wait_s=wait_s
    )


def _about_token(settings: StoreSettings) -> str:
    if settings.token_env is None:
        return 'wants a token; name the variable that holds it: token_env = "…" in [store]'
    if token_of(settings) is None:
        return f"wants a token, and {settings.token_env} is not set; set it and start again"
    return (
        f"refuses the token in {settings.token_env}; put one there that may read and write bucket "
        f"{settings.bucket!r}, and start again"
    )


def _words(body: str) -> str:
    """The server's own words out of its JSON, one line."""
    text = body
    try:
        found = json.loads(body)
        if isinstance(found, dict):
            text = str(found.get("message") or found.get("error") or body)
            details = found.get("data")  # 3.x: one entry a line that it did not take
            if isinstance(details, list) and details and isinstance(details[0], dict):
                text += f": {details[0].get('error_message', '')}"
    except ValueError:
        text = re.sub(r"<[^>]*>", " ", body)  # a proxy's page
    return " ".join(text.split())[:_WORDS]


def _wait_s(headers: Mapping[str, str]) -> float | None:
    """Retry-After (RFC 9110, section 10.2.3): seconds, or a date beside the answer's own."""
    text = headers.get("Retry-After")
    if text is None:
        return None
    try:
        seconds = float(text)
    except ValueError:
        try:
            end, now = parsedate_to_datetime(text), parsedate_to_datetime(headers.get("Date", ""))
            seconds = (end - now).total_seconds()
        except (ValueError, TypeError):
            return None
    return min(max(seconds, 0.0), _LONGEST_WAIT_S)
