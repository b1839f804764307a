"""Report to systemd how the service does: the protocol of sd_notify(3), a datagram to `NOTIFY_SOCKET`."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Mapping

__all__ = ["Watchdog", "sd_notify", "watchdog_s"]


def sd_notify(state: str, environment: Mapping[str, str] | None = None) -> bool:
    """Send `state` ("READY=1", "STOPPING=1", "WATCHDOG=1"); False where nobody asked or none listens."""
    address = (os.environ if environment is None else environment).get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]  # Linux's abstract names
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.sendto(state.encode(), address)
    except OSError:
        return False  # a manager that has gone is no reason to stop
    return True


def watchdog_s(environment: Mapping[str, str] | None = None) -> float | None:
    """Half of the time after which systemd takes the service for dead; None where it does not watch."""
    text = (os.environ if environment is None else environment).get("WATCHDOG_USEC", "")
    return int(text) / 2_000_000 if text.isdecimal() and int(text) > 0 else None


class Watchdog:
    """Says to systemd that the service lives, as often as it asks for."""

    def __init__(self) -> None:
        self._every_s = watchdog_s()
        self._fed = 0.0

    def feed(self) -> None:
        """At each round of the service."""
        if self._every_s is not None and time.monotonic() - self._fed >= self._every_s:
            self._fed = time.monotonic()
            sd_notify("WATCHDOG=1")
