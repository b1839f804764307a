"""What every link is: bytes in, acknowledgements out. Links know nothing of tanks or readings."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, NamedTuple, Protocol

__all__ = ["Deliver", "Delivery", "Link"]


class Delivery(NamedTuple):
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


Deliver = Callable[[Delivery], None]
"""Called from the link's own thread; should only put the delivery into a queue."""


class Link(Protocol):
    """A source of payloads. A link never gives up: it retries for as long as it is not stopped."""

    name: str
    counters: dict[str, int]

    def start(self, deliver: Deliver) -> None:
        """Begin, on a thread of its own; returns at once, also where the other end is not there."""

    def acknowledge(self, deliveries: Iterable[Delivery]) -> None:
        """Say that these are safely kept. Call after the durable commit; safe from any thread."""

    def stop(self) -> None:
        """End the thread and close; what was not acknowledged comes again at the next start."""
