"""Test alarms: raised on request, on the whole way to the phone, beside the book of the real ones.

They are events like any other but for their mark (`Event.test`), so outbox, targets and reminders treat them
as they would a real alarm; no detector, no statistics and no alarm that is shown hears of them. What is
open is in the events, so a restart forgets none.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

import msgspec
from msgspec.structs import replace

from rushlight.analysis.alarms.rationale import ANY, RATIONALE, Equipment, rationale_for
from rushlight.analysis.alarms.requests import wrong_quantity
from rushlight.analysis.alarms.states import AlarmRecord
from rushlight.analysis.alarms.wording import SUMMARY_LENGTH, compose, duration_text, utc_text
from rushlight.analysis.findings import Finding
from rushlight.collector.errors import AlarmError
from rushlight.collector.events import Event, EventKind
from rushlight.collector.readings import TEMPERATURE
from rushlight.collector.store.records import Request

__all__ = ["TRIAL_MS", "Trials", "is_trial", "open_trials", "trial_lines"]

TRIAL_MS = 20 * 60_000
"""A test alarm ends by itself after this: long enough for the first reminder by the default settings, 15 min.
Common practice, no source."""
_STALE_MS = 60_000
_MARK = "test"


class _Trial(msgspec.Struct):
    raised: Event
    ends_ms: int
    acknowledged: bool = False


def is_trial(occurrence: str) -> bool:
    """Whether an ALARM-ID is that of a test alarm."""
    return occurrence.endswith(f"/{_MARK}")


def open_trials(events: Iterable[Event]) -> dict[str, _Trial]:
    """The test alarms that have begun and not ended, by occurrence; `events` in order of time."""
    found: dict[str, _Trial] = {}
    for event in events:
        if not event.test:
            continue
        if event.event == "raised":
            found[event.occurrence] = _Trial(event, _milliseconds(event.until))
        elif event.event == "cleared":
            found.pop(event.occurrence, None)
        elif event.occurrence in found:
            found[event.occurrence].acknowledged = True
    return found


def trial_lines(events: Iterable[Event], now_ms: int) -> list[str]:
    """Of each test alarm that goes on, its ALARM-ID and its end."""
    return [f"{name}, ends by itself {_in(trial, now_ms)}" for name, trial in open_trials(events).items()]


class Trials:
    """The test alarms of a running service."""

    def __init__(self) -> None:
        self._open: dict[str, _Trial] = {}

    def restore(self, events: Iterable[Event]) -> None:
        """Take up those that the store has, after a start."""
        self._open = open_trials(events)

    def begin(
        self, request: Request, title: str, now_ms: int, has: Equipment = ANY
    ) -> tuple[list[Event], str]:
        """Raise a test alarm; its event, and its ALARM-ID.

        Raises
        ------
        AlarmError
            There is no such alarm, it is being tried already, or it was asked for long ago.
        """
        alarm = request.alarm
        if alarm not in RATIONALE:
            raise AlarmError(f"{alarm!r} is no alarm; known are {', '.join(RATIONALE)}")
        wrong = wrong_quantity(alarm, request.quantity)
        if wrong:
            raise AlarmError(wrong)
        if not -_STALE_MS <= now_ms - request.created_ms <= _STALE_MS:
            raise AlarmError("it was asked for while no service ran; ask again")  # nobody waits for it now
        quantity = request.quantity or (TEMPERATURE if alarm == "probe-fault" else "")
        for name, trial in self._open.items():
            if (trial.raised.tank, trial.raised.alarm, trial.raised.quantity) == (
                request.tank,
                alarm,
                quantity,
            ):
                raise AlarmError(
                    f"{name} is being tried already; it ends by itself {_in(trial, now_ms)}. Try another "
                    "alarm meanwhile"
                )
        row = rationale_for(alarm)
        ends = utc_text(now_ms + TRIAL_MS)
        name = "/".join(part for part in (request.tank, alarm, quantity, utc_text(now_ms), _MARK) if part)
        record = AlarmRecord(
            alarm=alarm, quantity=quantity, priority=row.priority, occurrence=name, raised_ms=now_ms
        )
        finding = Finding(
            alarm=alarm,
            quantity=quantity,
            cause=f"a test, asked for by {request.actor}",
            priority=row.priority,
        )
        raised = _event("raised", record, request.tank, title, finding, now_ms, has)
        raised = replace(
            raised,
            until=ends,
            detail=f"It ends by itself after {duration_text(TRIAL_MS / 1000)}. "
            f"A real one says this, with figures:\n{raised.detail}",
        )
        self._open[name] = _Trial(raised, now_ms + TRIAL_MS)
        return [raised], name

    def acknowledge(self, request: Request, now_ms: int) -> tuple[list[Event], list[str]]:
        """Acknowledge the test alarms that are meant; the events, and for each what was done, in words."""
        wanted = str(request.arguments.get("occurrence", ""))
        events: list[Event] = []
        words: list[str] = []
        for name, trial in self._open.items():
            raised = trial.raised
            if (raised.tank, raised.alarm) != (request.tank, request.alarm) or wanted not in ("", name):
                continue
            if request.quantity not in ("", raised.quantity):
                continue
            if trial.acknowledged:
                words.append(f"{name} was acknowledged already")
                continue
            trial.acknowledged = True
            events.append(_answer(raised, "acknowledged", now_ms, request.actor))
            words.append(f"{name} acknowledged")
        return events, words

    def due(self, now_ms: int) -> list[Event]:
        """Those whose time is over end; a clock that was put back must not keep them for as long."""
        over = [
            name
            for name, trial in self._open.items()
            if not trial.ends_ms - TRIAL_MS - 60_000 <= now_ms < trial.ends_ms
        ]
        return [_answer(self._open.pop(name).raised, "cleared", now_ms, "") for name in over]


def _event(
    kind: EventKind,
    record: AlarmRecord,
    tank: str,
    title: str,
    finding: Finding,
    now_ms: int,
    has: Equipment,
) -> Event:
    key = (tank, record.alarm, record.quantity)
    event = compose(kind, key, title, record, record, finding, now_ms, has=has)
    return replace(event, test=True, summary=_short(f"TEST {event.summary}"))


def _answer(raised: Event, kind: EventKind, now_ms: int, actor: str) -> Event:
    """What follows on a test alarm's raising; its title is in the words of that."""
    by = f" by {actor}" if actor else ""
    word = "over" if kind == "cleared" else f"acknowledged{by}"
    title = rationale_for(raised.alarm).title
    return replace(
        raised,
        event=kind,
        time=utc_text(max(now_ms, _milliseconds(raised.time))),
        summary=_short(f"TEST {word}: {title} in {raised.tank}"),
        detail="",
        cautions=[],
        until="",
        actor=actor,
    )


def _in(trial: _Trial, now_ms: int) -> str:
    return f"in {duration_text(max(0, trial.ends_ms - now_ms) / 1000)}"


def _milliseconds(time: str) -> int:
    return round(datetime.fromisoformat(time).timestamp() * 1000)


def _short(text: str) -> str:
    return text if len(text) <= SUMMARY_LENGTH else f"{text[: SUMMARY_LENGTH - 1]}…"
