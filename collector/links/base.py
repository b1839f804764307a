"""What every link is: bytes in, acknowledgements out. Links know nothing of tanks or readings."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol, runtime_checkable

from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.settings import MqttLink

__all__ = ["SESSION_S", "Deliver", "Link", "Subscriber"]

SESSION_S = 7 * 86_400
"""How long (s) a broker keeps messages for a collector that is away."""

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


@runtime_checkable
class Subscriber(Protocol):
    """A link that asks for topics."""

    def follow(self, settings: MqttLink) -> None:
        """Other topics, by the same connection."""

    def retire(self) -> None:
        """Another link is in its place: ask for nothing new; what is on its way still comes."""
