"""Alarm topics of tanks that were taken out of the settings: a broker would keep their last state for ever.

They are cleared by an empty retained message (MQTT 5, section 3.3.1.3), once: a tank that has moved to
another collector at the same broker must not lose its state at each start of this one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Container, Iterable, Sequence

from rushlight.analysis.notices.alarm_topics import AlarmPublisher, topic_of
from rushlight.collector.errors import StoreError
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["TOPICS_META", "RemovedTopics"]

TOPICS_META = "alarm-topics"
"""In the store: the tanks of which a broker may have topics, as a JSON list."""


class RemovedTopics:
    """Clears them, and remembers until the brokers have it.

    Parameters
    ----------
    links : callable
        Those that publish, also those that are about to end.
    """

    def __init__(self, links: Callable[[], Sequence[AlarmPublisher]]) -> None:
        self._links = links
        self._clearing: list[str] = []

    def begin(self, tanks: Container[str], watched: Iterable[str], store: EmbeddedStore) -> None:
        """At the start, and after a reload.

        Parameters
        ----------
        tanks : container of str
            Of all the settings: what another part watches is its own.
        watched : iterable of str
            Tanks whose alarms are published from here.
        store : EmbeddedStore

        Raises
        ------
        StoreError
            Nothing was cleared; it is at the next start.
        """
        if not self._links():
            return
        said = store.get_meta(TOPICS_META)
        # before there was such a list, all that has reported may have been published
        known = set(store.tanks() if said is None else json.loads(said))
        store.set_meta(TOPICS_META, json.dumps(sorted(known.union(watched))))
        self._clearing = [tank for tank in sorted(known) if tank not in tanks]
        for tank in self._clearing:
            events = (event for event in store.events(tank=tank) if not event.test)
            for topic in sorted({topic_of((tank, event.alarm, event.quantity)) for event in events}):
                for link in self._links():
                    link.publish(topic, b"")

    def step(self, store: EmbeddedStore) -> None:
        """Once the brokers have it, it is not done again."""
        if not self._clearing or not all(link.flushed() for link in self._links()):
            return
        try:
            known: list[str] = json.loads(store.get_meta(TOPICS_META) or "[]")
            store.set_meta(TOPICS_META, json.dumps([tank for tank in known if tank not in self._clearing]))
        except StoreError:
            return  # the store can't be written now: in one of the next rounds
        self._clearing = []
