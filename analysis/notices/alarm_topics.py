"""Each alarm's state as a retained message, so that any home automation can act on it.

Topic `rushlight/TANK/alarms/ALARM`, with `/QUANTITY` behind it for an alarm about one probe. The payload is
the alarm's last event (contract, section 5) with `state`, its state in the words of ISA-18.2: "normal" once
it is over and answered.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Protocol, runtime_checkable

import msgspec

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.states import AlarmState
from rushlight.collector.events import AlarmKey, Event
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["AlarmPublisher", "AlarmTopics", "Told", "publishers", "tell_nobody", "topic_of"]

_log = logging.getLogger("rushlight.alarms")
_LAST = 2_000  # events among which the last of each alarm is looked for at the start


@runtime_checkable
class AlarmPublisher(Protocol):
    """A link that can publish; `alarms`: whether it is to."""

    alarms: bool

    def publish(self, topic: str, payload: bytes) -> None:
        """Retained, QoS 1; it must not raise, and must not wait."""

    def flushed(self) -> bool:
        """Whether the broker has taken all that was published."""


class _Watched(Protocol):
    @property
    def book(self) -> AlarmBook:
        """Its alarms."""


Told = Callable[[Mapping[str, _Watched], Sequence[Event]], None]
"""Is given the watches by tank, and events that have been kept."""


class AlarmTopics:
    """Publishes through those links that are in force: `links` is asked each time."""

    def __init__(self, links: Callable[[], Sequence[AlarmPublisher]]) -> None:
        self._links = links

    def begin(self, watches: Mapping[str, _Watched], store: EmbeddedStore) -> None:
        """All that the store knows: what a broker has kept may be out of date."""
        if self._links():
            self.told(watches, store.events(limit=_LAST))

    def told(self, watches: Mapping[str, _Watched], events: Sequence[Event]) -> None:
        """Publish the state of each alarm that these events are about."""
        last: dict[AlarmKey, Event] = {}
        for event in events:
            if not event.test and event.tank in watches:
                last[event.tank, event.alarm, event.quantity] = event
        links = self._links() if last else ()
        for key, event in last.items() if links else ():
            record = watches[event.tank].book.records().get(key)
            state = AlarmState.NORMAL if record is None else record.state
            payload = msgspec.json.encode({"state": str(state), **msgspec.to_builtins(event)})
            for link in links:
                try:
                    link.publish(topic_of(key), payload)
                except Exception as error:
                    _log.warning("%s: its state could not be published (%r)", topic_of(key), error)


def publishers(links: Iterable[object]) -> list[AlarmPublisher]:
    """Those of the links that can publish, and are to."""
    return [link for link in links if isinstance(link, AlarmPublisher) and link.alarms]


def tell_nobody(watches: Mapping[str, _Watched], events: Sequence[Event]) -> None:
    """Where nobody listens."""


def topic_of(key: AlarmKey) -> str:
    """Where an alarm's state is published."""
    tank, alarm, quantity = key
    return "/".join(part for part in ("rushlight", tank, "alarms", alarm, quantity) if part)
