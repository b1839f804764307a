"""One tree of errors.

RushlightError
├── SettingsError      the settings file or the command line is wrong; a person must correct it
├── WireError          one payload can't be read: count it, set it aside, go on
├── LinkLost           a serial port or broker went away: retry with backoff (transient)
├── StoreError         the store can't do what was asked
│   ├── StoreFull      no room on the disk: stop acknowledging, retry (transient)
│   ├── StoreMoved     the file at its path is not the one that is open: stop acknowledging
│   ├── StoreNewer     the file was written by a newer version
│   └── ServerAway     a server store can't be reached or takes nothing now: keep, retry (transient)
├── AlarmError         a person asked for what can't be done to that alarm (acknowledge, shelve)
└── ReplayError        a recorded file can't be read; the message names file and line
"""

from __future__ import annotations

__all__ = [
    "AlarmError",
    "LinkLost",
    "LogError",
    "ReplayError",
    "RushlightError",
    "ServerAway",
    "SettingsError",
    "StoreError",
    "StoreFull",
    "StoreMoved",
    "StoreNewer",
    "WireError",
]


class RushlightError(Exception):
    """Base of all errors whose text is meant for the user: one line, what is wrong, what to do."""


class SettingsError(RushlightError):
    """Settings or command line are wrong (exit status 2)."""


class WireError(RushlightError):
    """A payload can't be decoded. `kind` is a short word for counting (json, crc, unit, size …)."""

    def __init__(self, kind: str, message: str) -> None:
        super().__init__(message)
        self.kind = kind


class LinkLost(RushlightError):
    """A link is down; the caller retries with backoff."""


class StoreError(RushlightError):
    """The store can't be read or written."""


class StoreFull(StoreError):
    """The disk is full; nothing was half written, try again when there is room."""


class StoreMoved(StoreError):
    """The store's file was removed or replaced while it was open; what is written to it now is lost."""


class StoreNewer(StoreError):
    """The store's schema is newer than this program."""


class ServerAway(StoreError):
    """A server store takes or gives nothing now; what it is to have waits in the local file.

    `wait_s` is how long the server asks to be left alone, None where it doesn't say; `slow` is True where it
    did not answer in time, `cut_off` where the connection broke before the answer was there.
    """

    def __init__(
        self, message: str, *, wait_s: float | None = None, slow: bool = False, cut_off: bool = False
    ) -> None:
        super().__init__(message)
        self.wait_s = wait_s
        self.slow = slow
        self.cut_off = cut_off


class AlarmError(RushlightError):
    """An alarm can't be acknowledged, shelved or returned as asked."""


class LogError(RushlightError):
    """An entry of the keeper's log can't be kept or undone as asked (exit status 2)."""


class ReplayError(RushlightError):
    """A recorded file can't be replayed (exit status 1)."""
