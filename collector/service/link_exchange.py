"""Links that are exchanged while the service runs: what is the same stays, the rest changes without a gap.

Links have numbers, by which their deliveries are known. A number is never used twice, so what an old link has
delivered can still be acknowledged.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from functools import partial

import msgspec

from rushlight.collector.intake.batch import Arrival
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links import Link, Subscriber
from rushlight.collector.service.listener import LinkReport
from rushlight.collector.settings import LinkSettings, MqttLink, SerialLink

__all__ = ["Links", "Make", "Prepared", "rivals"]

_log = logging.getLogger("rushlight.collector")

Make = Callable[[LinkSettings], Link]
Prepared = dict[tuple[int, int], Link | None]
"""By place in the settings and the number of the link that serves there already (-1: none), the new link."""

_QUIET_S = 1.0  # an old link has brought nothing for so long: what was on its way is here


class Links:
    """The links of a service by number, those in force and those that end.

    Parameters
    ----------
    links : sequence of Link
        Not started.
    settings : sequence of SerialLink or MqttLink
        In the same order.
    deliver : callable
        Takes a link's number and what it delivers; called on the link's thread.

    Attributes
    ----------
    all : dict
        By number, those that end included.
    settings : dict
        Of those in force, in the order of the settings.
    known : dict
        By number, the settings of each in `all`.
    last_ms : dict
        When each last delivered, ms UTC.
    """

    def __init__(
        self,
        links: Sequence[Link],
        settings: Sequence[LinkSettings],
        deliver: Callable[[int, Delivery], None],
    ) -> None:
        self.all: dict[int, Link] = dict(enumerate(links))
        self.settings: dict[int, LinkSettings] = dict(enumerate(settings))
        self.known: dict[int, LinkSettings] = dict(self.settings)
        self._deliver = deliver
        self.last_ms: dict[int, int] = {}
        self._in_force = list(self.all)
        self._next = len(links)
        self._brought: dict[int, int] = {}  # deliveries by link
        self._kept: dict[int, int] = {}  # and those of them that were acknowledged
        self._retiring: dict[int, tuple[int, float]] = {}  # its deliveries so far, and since when
        self._successors: list[int] = []  # what must be there before those that retire are stopped
        self._stopping: dict[int, threading.Thread] = {}
        self._held: list[tuple[int, int]] = []  # a link, and which must have ended before it starts
        self._earlier: set[int] = set()  # of an earlier run: what their brokers still hold has yet to come

    def in_force(self) -> list[Link]:
        """In the order of the settings."""
        return [self.all[number] for number in self._in_force]

    def reports(self) -> list[LinkReport]:
        """How those in force do, in the order of the settings."""
        links = [(number, self.all[number]) for number in self._in_force]
        return [
            LinkReport(one.name, dict(one.counters), self.last_ms.get(number, 0)) for number, one in links
        ]

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """These are on the disk."""
        by_link: dict[int, list[Delivery]] = {}
        for arrival in arrivals:
            by_link.setdefault(arrival.link, []).append(arrival.delivery)
        for number, deliveries in by_link.items():
            self._kept[number] = self._kept.get(number, 0) + len(deliveries)
            link = self.all.get(number)
            try:
                if link is not None:
                    link.acknowledge(deliveries)
            except Exception:
                # kept already: what is not acknowledged comes again and is found to be a repeat
                _log.exception("%s: can't acknowledge", deliveries[0].link)

    def finish(self, link: Link, settings: LinkSettings) -> None:
        """One that an earlier run has not brought to its end: what its broker still holds, and then no more.

        To be called before `start`.
        """
        number = self._next
        self._next += 1
        self.all[number], self.known[number] = link, settings
        if isinstance(link, Subscriber):
            link.retire()
        self._retiring[number] = (-1, 0.0)
        self._earlier.add(number)
        _log.info("%s: is asked for what it still holds, and then let go", link.name)

    def ending(self, prepared: Prepared | None = None) -> list[LinkSettings]:
        """Those that end, and those that are going to by what was prepared."""
        kept = self.settings.keys() if prepared is None else {number for _, number in prepared}
        return [self.known[number] for number in [*self.settings, *self._retiring] if number not in kept]

    def start(self) -> None:
        """Begin with all."""
        for number in self.all:
            self._start(number)

    def prepare(self, wanted: Sequence[LinkSettings], make: Make) -> Prepared:
        """The links that new settings need: None where one that is there serves. Changes nothing.

        Raises
        ------
        SettingsError
            As `make` does.
        """
        taken: set[int] = set()
        found: Prepared = {}
        for place, one in enumerate(wanted):
            number = self._serves(one, taken)
            taken.add(number)
            found[place, number] = None if number >= 0 else make(one)
        return found

    def use(self, wanted: Sequence[LinkSettings], prepared: Prepared) -> None:
        """Go over to what was prepared."""
        settings: dict[int, LinkSettings] = {}
        fresh: list[int] = []
        for (place, number), link in prepared.items():
            one = wanted[place]
            if link is None:
                served = self.all[number]
                # one that was about to end may have asked for nothing new already
                if (number in self._retiring or self.known[number] != one) and isinstance(one, MqttLink):
                    assert isinstance(served, Subscriber)
                    served.follow(one)
                self._retiring.pop(number, None)
            else:
                number = self._next
                self._next += 1
                self.all[number] = link
                fresh.append(number)
            settings[number] = self.known[number] = one
        gone = [number for number in self.settings if number not in settings]
        self.settings, self._in_force = settings, list(settings)
        self._successors = [number for number in self._successors if number in settings] + fresh
        for number in gone:
            self._retiring[number] = (-1, 0.0)
            _log.info("%s: is let go once what takes its place is there", self.all[number].name)
        for new in fresh:
            for number in [*self._retiring, *self._stopping]:
                if rivals(self.known[number], settings[new]):
                    self._held.append((new, number))
                    if self._retiring.pop(number, None) is not None:
                        self._stop(number)
        waiting = {number for number, _ in self._held}
        for number in fresh:
            if number not in waiting:
                self._start(number)

    def step(self, now_s: float) -> None:
        """Look after those that end; costs nothing where none does. `now_s` goes up evenly."""
        if not (self._retiring or self._stopping or self._held):
            return
        for number, thread in list(self._stopping.items()):
            if not thread.is_alive():
                del self._stopping[number]
                del self.all[number], self.known[number]
                self._brought.pop(number, None)
                self._kept.pop(number, None)
        for number, before in list(self._held):
            if before not in self._stopping:
                self._held.remove((number, before))
                alive = number in self.settings or number in self._retiring
                if alive and number not in dict(self._held):
                    self._start(number)
        if not all(_is_up(self.all[number]) for number in self._successors):
            return
        for number, (seen, since) in list(self._retiring.items()):
            link = self.all[number]
            if number in self._earlier and not link.counters.get("connected"):
                continue
            if seen < 0 and isinstance(link, Subscriber):
                link.retire()
            delivered = link.counters["delivered"]
            # a serial line can't be asked for nothing new: it may never be quiet
            if seen != delivered and isinstance(link, Subscriber):
                self._retiring[number] = (delivered, now_s)
            elif not isinstance(link, Subscriber) or (now_s - since >= _QUIET_S and self._is_kept(number)):
                del self._retiring[number]
                self._stop(number)

    def _is_kept(self, number: int) -> bool:
        """Whether all that it has brought is on the disk and acknowledged: nobody asks its broker again."""
        return self._brought.get(number, 0) == self._kept.get(number, 0)

    def _serves(self, one: LinkSettings, taken: set[int]) -> int:
        """The number of a link that is as wanted, but for its topics perhaps; -1: none."""
        # those that are about to end, too: whoever mistyped an address, and mends it, has the old link back
        there = [*self.settings, *self._retiring]
        free = {number: self.known[number] for number in there if number not in taken}
        for number, mine in free.items():
            if mine == one:
                return number
        for number, mine in free.items():
            if isinstance(self.all[number], Subscriber) and _same_login(mine, one):
                return number
        return -1

    def _start(self, number: int) -> None:
        self.all[number].start(partial(self._bring, number))

    def _bring(self, number: int, delivery: Delivery) -> None:
        """On the link's thread, the only one that counts for it."""
        self._brought[number] = self._brought.get(number, 0) + 1
        self._deliver(number, delivery)

    def _stop(self, number: int) -> None:
        """On a thread of its own: the other end may hang."""
        link = self.all[number]
        thread = threading.Thread(target=link.stop, name=f"stop {link.name}", daemon=True)
        self._stopping[number] = thread
        thread.start()


def _is_up(link: Link) -> bool:
    return bool(link.counters.get("subscribed") or link.counters.get("opened"))


def rivals(old: LinkSettings, new: LinkSettings) -> bool:
    """Whether the two can't be open at the same time: one port, or one name at one broker."""
    if isinstance(old, SerialLink):
        return isinstance(new, SerialLink) and old.port == new.port
    return isinstance(new, MqttLink) and all(
        getattr(old, key) == getattr(new, key) for key in ("host", "port", "client_id")
    )


def _same_login(one: LinkSettings, other: LinkSettings) -> bool:
    """Whether two differ by nothing but the topics they ask for."""
    return isinstance(one, MqttLink) and isinstance(other, MqttLink) and _topicless(one) == _topicless(other)


def _topicless(link: MqttLink) -> MqttLink:
    tanks: dict[str, list[str]] = {"tanks": []} if "tanks" in link.__struct_fields__ else {}
    return msgspec.structs.replace(link, map=[], **tanks)
