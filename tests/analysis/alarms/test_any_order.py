"""Whatever comes in whatever order of time, over restarts and with people about: nothing raised is lost."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.alarms.rationale import RATIONALE, rationale_for
from rushlight.analysis.alarms.requests import quantities_of
from rushlight.analysis.alarms.states import RAISED_STATES
from rushlight.analysis.findings import Finding
from rushlight.collector.errors import AlarmError
from rushlight.collector.events import PRIORITY_RANK, AlarmKey, Event, Priority

T0 = 1772331250000
MIN = 60_000
HOUR = 60 * MIN
DAY = 24 * HOUR

PASSED = st.sampled_from([0, 1000, MIN, 16 * MIN, HOUR, 5 * HOUR, DAY, 4 * DAY])
PRIORITIES: st.SearchStrategy[Priority] = st.sampled_from(["medium", "high", "critical"])
# what is found of one alarm: nothing, or its priority, its value, and whether it is in its deadband
FOUND = st.one_of(
    st.none(),
    st.none(),
    st.tuples(PRIORITIES, st.sampled_from([None, 33.0, 60.0]), st.sampled_from([0, 0, 1])),
)
# there or away for long enough to be raised and cleared, seen every so many minutes
JUDGED = st.tuples(
    st.just("judged"), st.sampled_from([1, 20, 60, 300]), st.tuples(FOUND, FOUND), st.sampled_from([1, 5, 20])
)
OTHER = st.tuples(
    st.sampled_from(["tick", "put back", "restart", "acknowledge", "shelve", "unshelve", "remove", "return"]),
    PASSED,
    st.integers(0, 1),
    st.sampled_from([0, MIN, HOUR]),  # by how much the readings are behind the clock
)
USUAL = st.one_of(JUDGED, JUDGED, JUDGED, OTHER)


class Keeper:
    """What people have heard of each alarm, by its events alone."""

    def __init__(self) -> None:
        self.names: set[str] = set()
        self.open: dict[AlarmKey, str] = {}
        self.heard: dict[AlarmKey, Priority] = {}

    def hear(self, events: list[Event]) -> None:
        for event in events:
            key = (event.tank, event.alarm, event.quantity)
            if event.event == "raised":
                assert event.occurrence not in self.names, "a name is given twice"
                assert key not in self.open, "raised twice, with no end between"
                self.names.add(event.occurrence)
                self.open[key] = event.occurrence
            if event.event in ("raised", "priority-changed"):
                self.heard[key] = event.priority
            elif event.event == "cleared" and key in self.open:
                assert self.open.pop(key) == event.occurrence, "the end of another"
            elif event.event == "shelved":
                self.open.pop(key, None)


def act(book: AlarmBook, what: str, key: AlarmKey, now_ms: int, passed: int) -> list[Event]:
    """What people ask for; it may be refused."""
    with suppress(AlarmError):
        if what == "acknowledge":
            return book.acknowledge(key, now_ms, "Ines")
        if what == "shelve":
            return book.shelve(key, now_ms + passed, now_ms, "Ines")
        if what == "unshelve":
            return book.unshelve(key, now_ms, "Ines")
        if what == "remove":
            return book.out_of_service(key, now_ms, "Ines")
        return book.return_to_service(key, now_ms, "Ines")
    return []


def heard_of(book: AlarmBook, keeper: Keeper, finding: Finding) -> None:
    """What is there is no more urgent than what people were told."""
    key = ("alcove", finding.alarm, finding.quantity)
    record = book.records().get(key)
    if finding.holding or record is None or not record.standing or record.state not in RAISED_STATES:
        return
    least = rationale_for(finding.alarm).least_priority
    wanted = max(finding.priority, least, key=PRIORITY_RANK.__getitem__)
    assert PRIORITY_RANK[keeper.heard[key]] >= PRIORITY_RANK[wanted], "more urgent, and not told"


@settings(max_examples=300, deadline=None)
@given(
    alarms=st.lists(st.sampled_from(list(RATIONALE)), min_size=2, max_size=2, unique=True),
    steps=st.lists(USUAL, min_size=15, max_size=60),
)
def test_nothing_raised_is_lost_and_what_is_more_urgent_is_told_at_once(
    alarms: list[str], steps: list[tuple[str, int, Any, int]]
) -> None:
    book, keeper, now = AlarmBook("alcove", "Alcove"), Keeper(), T0
    keys = [("alcove", alarm, next(iter(quantities_of(alarm)), "")) for alarm in alarms]
    for what, passed, which, extra in steps:
        if what == "judged":
            found = [
                Finding(alarm=key[1], quantity=key[2], priority=one[0], value=one[1], holding=bool(one[2]))
                for key, one in zip(keys, which, strict=True)
                if one is not None
            ]
            for _ in range(0, passed, extra):
                now += extra * MIN
                keeper.hear(book.update(found, now))
                for finding in found:
                    heard_of(book, keeper, finding)
        elif what == "tick":
            now += passed
            keeper.hear(book.tick(now, now - extra))
        elif what == "put back":
            now -= passed
            book.put_back(now)
        elif what == "restart":
            book = AlarmBook.restore("alcove", "Alcove", book.to_bytes())
        else:
            keeper.hear(act(book, what, keys[which], now, passed))
        for key, name in keeper.open.items():
            record = book.records().get(key)
            assert record is not None and record.open and record.occurrence == name, "raised, and lost"
        for key, record in book.records().items():
            if record.state in RAISED_STATES:
                assert keeper.open.get(key) == record.occurrence, "shown, and nobody was told"
