"""Hands in the tank: what hands cause is silenced for a while, what kills is not, and it ends by itself.

Hands lift probes out of the water, move lamps and pull plugs, as they should before they go in. What that
raises is shelved, all of it to one and the same end; what was raised before is no work of these hands and
stays.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.requests import quantities_of
from rushlight.analysis.alarms.states import RAISED_STATES, AlarmState
from rushlight.collector.errors import AlarmError
from rushlight.collector.events import AlarmKey, Event
from rushlight.collector.store.records import Request

__all__ = [
    "HANDS_META",
    "HANDS_MS",
    "LONGEST_HANDS_MS",
    "NEVER_SILENCED",
    "SILENCED",
    "begin_hands",
    "end_hands",
    "silenced_until",
]

HANDS_MS: Final = 30 * 60_000
LONGEST_HANDS_MS: Final = 2 * 3_600_000
"""Nothing of what is silenced kills in so short a time. Common practice, no source."""
HANDS_META: Final = "hands/"
"""Before a tank's name, in the store: until when (ms UTC) somebody has their hands in it."""

SILENCED: Final = (
    "probe-fault",
    "light-missing",
    "light-stuck-on",
    "light-schedule-drift",
    "light-dimming",
    "co2-absent",
    "heater-not-heating",
    "cooling-not-cooling",
    "power-interrupted",
)
"""Probes out of the water, a lamp moved, plugs pulled: harm takes hours, and somebody is at the tank."""
NEVER_SILENCED: Final = (
    "stray-current-suspected",
    "co2-overdose",
    "heater-stuck-on",
    "temperature-high",
    "temperature-low",
    "ph-out-of-range",
    "device-silent",
    "setting-doubtful",
)
"""What harms people or animals at once, new water that doesn't match, and that nobody is watching."""
_DANGER: Final = "stray-current-suspected"


def begin_hands(
    book: AlarmBook, request: Request, before_ms: int | None, now_ms: int, probes: Collection[str]
) -> tuple[list[Event], int]:
    """Silence what hands cause; the events of it, and until when (ms UTC).

    Parameters
    ----------
    before_ms : int or None
        The end of hands that are in it already: those go on until the new end.
    probes : collection of str
        Quantities that have ever reported.

    Raises
    ------
    AlarmError
        Its time is over, or longer than hands take; or the water may kill whoever puts a hand in.
    """
    danger = book.records().get((book.tank, _DANGER, ""))
    if danger is not None and danger.state in RAISED_STATES:
        raise AlarmError(
            f"{book.tank}: stray current is suspected, so keep your hands out of the water; with dry hands "
            "switch the circuit off at the breaker first, and see the steps of that alarm"
        )
    for_ms = int(request.arguments.get("for_ms", HANDS_MS))
    if not 0 < for_ms <= LONGEST_HANDS_MS:
        raise AlarmError("hands in the tank: give from 1 minute to 2 hours; shelve an alarm for longer")
    until_ms = min(request.created_ms, now_ms) + for_ms
    if until_ms <= now_ms:
        raise AlarmError("it was asked for while no service ran, and its time is over; ask again")
    records = book.records()
    events: list[Event] = []
    for key in _keys(book, probes):
        record = records.get(key)
        if record is not None and record.open and record.state is not AlarmState.SHELVED:
            continue
        if record is not None and record.state is AlarmState.OUT_OF_SERVICE:
            continue
        if record is not None and record.state is AlarmState.SHELVED:
            end_ms = record.shelf_end_ms or 0
            if end_ms != before_ms and end_ms > now_ms:
                continue  # a person's own shelf keeps its own end
        events += book.shelve(key, until_ms, now_ms, request.actor)
    return events, until_ms


def end_hands(book: AlarmBook, request: Request, until_ms: int, now_ms: int) -> list[Event]:
    """End it early: what is still there is raised.

    Raises
    ------
    AlarmError
        Nothing is shelved to that end any more.
    """
    ours = silenced_until(book, until_ms)
    if not ours:
        raise AlarmError(
            f"{book.tank}: nothing of what hands had silenced is silent any more, so there is nothing to end"
        )
    return [event for key in ours for event in book.unshelve(key, now_ms, request.actor)]


def silenced_until(book: AlarmBook, until_ms: int) -> list[AlarmKey]:
    """What hands had silenced to that end and still is."""
    return [
        key
        for key, record in sorted(book.records().items())
        if key[1] in SILENCED and record.state is AlarmState.SHELVED and record.shelf_end_ms == until_ms
    ]


def _keys(book: AlarmBook, probes: Collection[str]) -> list[AlarmKey]:
    keys: list[AlarmKey] = []
    for alarm in SILENCED:
        known = quantities_of(alarm)
        names = [name for name in known if name in probes] or list(known) if known else [""]
        keys += [(book.tank, alarm, name) for name in names]
    return keys
