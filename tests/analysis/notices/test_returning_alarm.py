"""Notices of an alarm that comes and goes: nobody is woken for what is not there, nothing is kept quiet."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.findings import Finding
from rushlight.analysis.notices.asking import AWAY
from rushlight.analysis.notices.overdue import OVERDUE_MS
from rushlight.analysis.notices.wording import reminder_text
from rushlight.analysis.service.open_alarms import away_occurrences, harm_expected
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.notices.test_queue_safety import MIN, NOON
from tests.analysis.notices.test_sending_safety import A, Desk

HOUR = 60 * MIN


def gas(value: float = 33.0) -> Finding:
    return Finding(alarm="co2-overdose", priority="high", value=value, unit="mg/L", time_left_s=900.0)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db", synchronous="OFF") as made:
        yield made


class Tank:
    """A book whose events go to a desk."""

    def __init__(self, desk: Desk) -> None:
        self.desk, self.book = desk, AlarmBook("alcove", "Alcove")
        self.watch = SimpleNamespace(book=self.book)

    def pass_by(self, found: list[Finding], minutes: int) -> None:
        """Judged and sent once a minute, as the service does."""
        for _ in range(minutes):
            for event in self.book.update(found, self.desk.now):
                self.desk.tell(event)
            self.desk.notices.away = away_occurrences([self.watch])  # type: ignore[list-item]
            self.desk.round(MIN)

    def titles(self, begin: int = 0) -> list[str]:
        return [str(title) for _, title, *_ in self.desk.sent[begin:]]


def fleeting(desk: Desk) -> Tank:
    tank = Tank(desk)
    for _ in range(3):
        tank.pass_by([gas()], 10)
        tank.pass_by([], 40)
    return tank


def test_reminders_wait_while_it_is_away_and_go_on_when_it_is_back(store: EmbeddedStore) -> None:
    desk = Desk(store, A)
    tank = fleeting(desk)
    (record,) = tank.book.records().values()
    assert record.away and list(harm_expected([tank.watch])) == []  # type: ignore[list-item]
    sent, well = len(desk.sent), len(desk.well)
    tank.pass_by([], 30)
    assert desk.sent[sent:] == []
    (waiting,) = store.pending_notices()
    assert (waiting.number, waiting.error) == (2, AWAY)
    tank.pass_by([gas()], 6)
    assert len(desk.sent) == sent + 1  # its twin: there again, and nobody has answered
    raised = [event for event in store.events(occurrence=record.occurrence) if event.event == "raised"]
    assert "This alarm comes and goes: 3 times since 1 Mar, " in reminder_text(raised[-1], desk.now).body
    assert all(desk.well[well:]), "the heartbeat stops for no reminder that waits so"
    assert 76 * MIN > OVERDUE_MS


def test_what_is_back_and_worse_comes_as_one_notice(store: EmbeddedStore) -> None:
    desk = Desk(store, A)
    tank = fleeting(desk)
    sent = len(desk.sent)
    tank.pass_by([gas(50.0)], 1)
    (title,) = tank.titles(sent)
    assert "CO2 50 mg/L" in title
    (waiting,) = store.pending_notices()  # of the occurrence that is open, not of the one before
    (record,) = tank.book.records().values()
    assert waiting.occurrence == record.occurrence and waiting.number == 1


def test_what_is_acknowledged_and_back_is_quiet_and_its_end_is_told(store: EmbeddedStore) -> None:
    desk = Desk(store, A)
    tank = fleeting(desk)
    for event in tank.book.acknowledge(("alcove", "co2-overdose", ""), desk.now, "Ines"):
        desk.tell(event)
    sent = len(desk.sent)
    tank.pass_by([gas()], 30)
    assert desk.sent[sent:] == []
    tank.pass_by([], 130)
    (title,) = tank.titles(sent)
    assert title.startswith("Over: CO2 overdose")
    tank.pass_by([gas()], 2)
    assert len(desk.sent) == sent + 2  # its twin: after its end it is told of
    assert desk.now > NOON
