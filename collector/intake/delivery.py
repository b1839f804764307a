"""One payload as it came in."""

from __future__ import annotations

from typing import Any

import msgspec

__all__ = ["Delivery"]


class Delivery(msgspec.Struct, frozen=True, gc=False):
    """One payload as it came in.

    Attributes
    ----------
    link : str
        The link's name, for messages.
    topic : str or None
        MQTT topic; None on a serial line.
    payload : bytes
    arrived_ms : int
        When it arrived, milliseconds since 1970.
    redelivered : bool
        The broker says it may have sent it before (MQTT's DUP flag).
    token : object
        The link's own; handed back with `Link.acknowledge`.
    packet : int
        MQTT's packet identifier, the same where the broker sends it again; 0 where there is none.
    """

    link: str
    topic: str | None
    payload: bytes
    arrived_ms: int
    redelivered: bool = False
    token: Any = None
    packet: int = 0
