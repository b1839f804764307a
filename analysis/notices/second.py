"""Who is asked next: where nobody answers an urgent alarm, a second recipient gets it too.

Their notice waits in the outbox from the beginning, so that it goes out whatever happens to the service;
an answer, the end of the alarm or a shelf takes it away like any other.
"""

from __future__ import annotations

from collections.abc import Container, Sequence

from rushlight.analysis.notices.notice_store import NoticeStore
from rushlight.analysis.notices.wording import Text, milliseconds
from rushlight.collector.events import PRIORITY_RANK, Event
from rushlight.collector.settings import NoticeSettings
from rushlight.collector.store.records import Notice

__all__ = ["SecondRecipient", "answered_text"]


class SecondRecipient:
    """Which targets are asked next, and when.

    Parameters
    ----------
    settings : NoticeSettings
    targets : sequence of str
        Short names of their channels; empty where there is none.
    """

    def __init__(self, settings: NoticeSettings, targets: Sequence[str]) -> None:
        self.targets = list(targets)
        self._after_ms = round(settings.second_min * 60_000)

    def turn_ms(self, store: NoticeStore, occurrence: str) -> int | None:
        """When it is their turn, by what waits for them; None where nothing does."""
        if not self.targets:
            return None
        mine = [n for n in store.pending_notices() if n.occurrence == occurrence and n.target in self.targets]
        return min((notice.not_before_ms for notice in mine if notice.number == 0), default=None)

    def due_ms(self, event: Event, turn_ms: int | None, not_before_ms: int, now_ms: int) -> int | None:
        """When they are asked about an event (ms UTC); None where they are not.

        What was urgent before it became more so (`turn_ms`) waits no longer for that.
        """
        urgent = PRIORITY_RANK[event.priority] >= PRIORITY_RANK["high"]
        if not self.targets or not urgent or event.test or event.event not in ("raised", "priority-changed"):
            return None
        due_ms = max(not_before_ms, now_ms) + self._after_ms
        return due_ms if turn_ms is None else min(due_ms, turn_ms)

    def late_ms(self, events: Sequence[Event], not_before_ms: int, now_ms: int) -> int | None:
        """When they are asked (ms UTC) about an alarm that is older than they are; None where they are not.

        Parameters
        ----------
        events : sequence of Event
            All of an alarm that nobody has answered.
        not_before_ms : int
            End of the quiet hours where it waits for that, else 0: the time for an answer begins there.
        now_ms : int
        """
        asked_ms: int | None = None
        for event in events:
            if event.event in ("raised", "priority-changed"):
                urgent = PRIORITY_RANK[event.priority] >= PRIORITY_RANK["high"] and not event.test
                asked_ms = (milliseconds(event.time) if asked_ms is None else asked_ms) if urgent else None
            elif event.event == "acknowledged":
                asked_ms = None  # what came after is a new question
        if asked_ms is None:
            return None
        return max(now_ms, (not_before_ms or min(asked_ms, now_ms)) + self._after_ms)

    def missing(self, there: Container[str]) -> list[str]:
        """Those of them that are not among the targets `there`."""
        return [target for target in self.targets if target not in there]

    def with_word(self, store: NoticeStore, occurrence: str) -> list[str]:
        """Those of them that have been asked."""
        if not self.targets:
            return []
        there = store.targets_with_word(occurrence)
        return [target for target in self.targets if target in there]

    def waits(self, notice: Notice, now_ms: int) -> bool:
        """Whether a notice waits because it is not yet their turn."""
        return (
            notice.target in self.targets
            and notice.number == 0
            and now_ms < notice.not_before_ms
            and notice.transition != "cleared"
        )


def answered_text(event: Event) -> Text:
    """For all who were asked: somebody has answered."""
    who = event.actor or "Somebody"
    return Text(
        event.summary,
        f"{who} has answered; nobody is reminded any more.\n\nAlarm: {event.occurrence}",
    )
