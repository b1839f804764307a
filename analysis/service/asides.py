"""What people say that is no answer to an alarm: hands in a tank, and whether an alarm was right."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import ClassVar

from rushlight.analysis.alarms.hands import (
    HANDS_META,
    LONGEST_HANDS_MS,
    begin_hands,
    end_hands,
    silenced_until,
)
from rushlight.analysis.alarms.verdicts import Verdict, keep_verdict, verdict_of
from rushlight.analysis.detectors.probes.detector import ProbeDetector
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import AlarmError
from rushlight.collector.events import AlarmKey, Event
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import Request

__all__ = ["Asides"]


class Asides:
    """Carried out in memory; kept with the events that they make."""

    KINDS: ClassVar[frozenset[str]] = frozenset({"hands", "hands-over", "verdict"})

    def __init__(self) -> None:
        self._hands: dict[str, int] = {}
        self._verdicts: list[Verdict] = []
        self._changed: set[str] = set()

    def restore(self, store: EmbeddedStore, tanks: Iterable[str]) -> None:
        """Take up where the store says it was."""
        for tank in tanks:
            said = store.get_meta(HANDS_META + tank)
            if said is not None and said.isdigit():
                self._hands[tank] = int(said)

    def silenced(self, watches: Mapping[str, TankWatch]) -> dict[str, list[AlarmKey]]:
        """What hands silence now, by tank; only of tanks with hands in them."""
        there = self._hands.keys() & watches.keys()
        return {tank: silenced_until(watches[tank].book, self._hands[tank]) for tank in there}

    def follow(self, watches: Mapping[str, TankWatch], silenced: Mapping[str, list[AlarmKey]]) -> None:
        """The clock was put back, and the shelves with it: hands end with what they had silenced before."""
        for tank, keys in silenced.items():
            for key in keys[:1]:
                until_ms = watches[tank].book.records()[key].shelf_end_ms
                if until_ms is not None and until_ms != self._hands[tank]:
                    self._say(tank, until_ms)

    def carry_out(
        self, watch: TankWatch, request: Request, store: EmbeddedStore, now_ms: int
    ) -> tuple[list[Event], str]:
        """Do what was asked; the events of it, and the outcome in words.

        Raises
        ------
        AlarmError
            It can't be done; the message says why.
        """
        tank = watch.tank.name
        if request.kind == "verdict":
            verdict = verdict_of(request, now_ms)
            if not store.events(occurrence=verdict.occurrence):
                raise AlarmError(
                    f"{verdict.occurrence}: no such alarm was raised; give the ALARM-ID that its notice ends "
                    "with"
                )
            self._verdicts.append(verdict)
            return [], f"{verdict.occurrence}: noted, {verdict.words()}"
        until_ms = self._hands.get(tank, 0)
        goes_on = now_ms < until_ms <= now_ms + LONGEST_HANDS_MS
        if request.kind == "hands-over":
            if not goes_on:
                raise AlarmError(f"{tank}: nobody has said that hands are in it, so there is nothing to end")
            self._say(tank, 0)
            events = end_hands(watch.book, request, until_ms, now_ms)
            return events, (
                f"{tank}: hands are out; what they had silenced speaks again. With dry hands plug in again "
                "what you unplugged, a heater only when it is under water"
            )
        before_ms = until_ms if goes_on else None
        events, until_ms = begin_hands(watch.book, request, before_ms, now_ms, watch.of(ProbeDetector).health)
        self._say(tank, until_ms)
        ends = watch.book.clock.moment_text(until_ms)
        return events, (
            f"{tank}: hands in the tank until {ends}: what hands cause is silent, what kills is not; it ends "
            "by itself. Unplug at the wall, with dry hands, before a hand goes in, and plug in again after"
        )

    def _say(self, tank: str, until_ms: int) -> None:
        self._hands[tank] = until_ms
        self._changed.add(tank)

    def keep(self, store: EmbeddedStore) -> None:
        """Into the store, in the caller's transaction."""
        for tank in sorted(self._changed):
            store.set_meta(HANDS_META + tank, str(self._hands[tank]))
        for verdict in self._verdicts:
            keep_verdict(store, verdict)

    def kept(self) -> None:
        """It is on the disk."""
        self._changed, self._verdicts = set(), []
