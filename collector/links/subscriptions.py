"""What a link asks its broker for, and what becomes of each topic."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from rushlight.collector.log import ClearLog
from rushlight.collector.safe_text import safe_text

__all__ = ["Subscriptions"]

_FILTERS = 200  # in one SUBSCRIBE packet, which a broker may limit in size
_NAMED = 5  # topics in one line of the log


class Subscriptions:
    """Subscribes at each connection; a topic that can't be had is logged and costs no other.

    Parameters
    ----------
    name : str
        The link's, for messages.
    filters : sequence of str
    five : bool
        MQTT 5.
    say : ClearLog
    counters : dict
        The link's; `subscribed` counts answers that are good, `unsubscribed` topics that can't be had.
    """

    def __init__(
        self, name: str, filters: Sequence[str], five: bool, say: ClearLog, counters: dict[str, int]
    ) -> None:
        self._name = name
        self._filters = list(filters)
        self._five = five
        self._say = say
        self._counters = counters
        self._asked: dict[int, list[str]] = {}  # by packet number, until the broker has answered
        self._unwanted: set[str] = set()  # the broker's session may still have them

    def ask(self, client: mqtt.Client) -> None:
        """Subscribe to all; call at each connection, a broker may have lost the session."""
        self._asked.clear()
        self._drop(client, sorted(self._unwanted))
        for at in range(0, len(self._filters), _FILTERS):
            self._subscribe(client, self._filters[at : at + _FILTERS])

    def change(self, client: mqtt.Client, filters: Sequence[str], connected: bool) -> None:
        """Other topics from now on; those that stay are not asked for again, so nothing of them is missed."""
        added = [topic for topic in filters if topic not in self._filters]
        removed = [topic for topic in self._filters if topic not in filters]
        self._filters = list(filters)
        self._unwanted = (self._unwanted | set(removed)) - set(filters)
        if not connected:
            return  # the next connection asks
        for at in range(0, len(added), _FILTERS):
            self._subscribe(client, added[at : at + _FILTERS])
        self._drop(client, removed)

    def _drop(self, client: mqtt.Client, topics: Sequence[str]) -> None:
        for at in range(0, len(topics), _FILTERS):
            client.unsubscribe(list(topics[at : at + _FILTERS]))

    def answered(self, mid: int, reasons: Sequence[ReasonCode]) -> None:
        """The broker's SUBACK: one reason for each topic, in their order (MQTT 5 section 3.9.3)."""
        topics = self._asked.pop(mid, [])
        bad = [
            (topics[place] if place < len(topics) else "a topic", str(reason))
            for place, reason in enumerate(reasons)
            if reason.is_failure
        ]
        if bad:
            self._tell(bad)
        else:
            self._counters["subscribed"] += 1

    def _subscribe(self, client: mqtt.Client, topics: list[str]) -> None:
        wanted: list[Any] = [(topic, 1) for topic in topics]
        if self._five:
            # retainHandling 2: a reading that lies at the broker is of unknown age; a device's state is not
            wanted = [
                (topic, SubscribeOptions(qos=1, retainHandling=0 if topic.endswith("/device") else 2))
                for topic in topics
            ]
        try:
            mid = client.subscribe(wanted)[1]
        except ValueError:  # paho finds one of them malformed, and asks for none
            if len(topics) == 1:
                self._tell([(topics[0], "malformed")])
                return
            for topic in topics:
                self._subscribe(client, [topic])
            return
        if mid is not None:
            self._asked[mid] = topics

    def _tell(self, bad: list[tuple[str, str]]) -> None:
        self._counters["unsubscribed"] += len(bad)
        named = ", ".join(f"{safe_text(topic, 80)} ({reason})" for topic, reason in bad[:_NAMED])
        more = f" and {len(bad) - _NAMED} more" if len(bad) > _NAMED else ""
        self._say.say(
            "subscribe",
            f"{self._name}: the broker won't let us read {named}{more}: nothing of it comes in; let this "
            "user read it, or correct `topic` in [[links.map]]",
            logging.ERROR,
        )
