"""How much the alarms asked of a person, beside what process industry holds bearable.

EEMUA 191 and ANSI/ISA-18.2 (from memory): about one alarm in ten minutes, 144 a day, is very likely
acceptable for an operator whose work it is; alarms active for more than a day are stale; the ten most
frequent should be no more than a few per cent of the load; about 5 % should be of high priority, 15 % of
medium, 80 % of low. A person at home does other things: so one a
day is taken as the bound here (common practice, no source).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from rushlight.analysis.alarms.verdicts import Verdict
from rushlight.collector.events import Event

__all__ = ["AlarmRow", "Load", "alarm_load"]

_DAY_S = 86_400.0
BEARABLE_A_DAY = 1.0
FLOOD = 10
"""So many within ten minutes are a flood that nobody reads (ANSI/ISA-18.2, from memory)."""
_FLOOD_MS = 600_000
_PRIORITIES = ("critical", "high", "medium", "low")
_CHATTERS = 3  # raised so often within an hour


class AlarmRow(NamedTuple):
    """One alarm: how often raised, answered, median seconds until answered, longest seconds active.

    `judged` of them somebody has said whether they were right, `false` of those were not.
    """

    alarm: str
    raised: int
    answered: int
    to_answer_s: float | None
    longest_s: float | None
    chatters: bool
    judged: int = 0
    false: int = 0


class Load(NamedTuple):
    """The rows by number, alarms a day, what is stale (active for more than a day), when they were raised
    (ms UTC), the most of them in ten minutes, and how many of each priority.
    """

    rows: tuple[AlarmRow, ...]
    a_day: float
    stale: tuple[str, ...]
    raised_ms: tuple[int, ...] = ()
    most_at_once: int = 0
    by_priority: tuple[tuple[str, int], ...] = ()


def alarm_load(
    events: Sequence[Event], from_ms: int, to_ms: int, verdicts: Mapping[str, Verdict] | None = None
) -> Load:
    """Of the alarms that were raised in the span, with people's verdicts by occurrence; tests are none.

    What was raised before it and is still active in it is no load of it, but may be stale.
    """
    said: dict[str, list[str]] = {}
    priorities = Counter[str]()
    by: dict[str, list[dict[str, float]]] = {}
    open_: dict[str, dict[str, float]] = {}
    before: dict[tuple[str, str | None], dict[str, float]] = {}
    for event in events:
        if event.test:
            continue
        at = datetime.fromisoformat(event.time).timestamp()
        if event.event == "raised" and at * 1000 < to_ms:
            life = {"raised": at}
            open_[event.occurrence] = life
            before.pop((event.alarm, event.quantity), None)  # it is over where it was raised again
            if at * 1000 < from_ms:
                before[event.alarm, event.quantity] = life
                continue
            by.setdefault(event.alarm, []).append(life)
            priorities[event.priority] += 1
            if verdicts is not None and event.occurrence in verdicts:
                said.setdefault(event.alarm, []).append(verdicts[event.occurrence].verdict)
        elif event.event in ("acknowledged", "cleared") and event.occurrence in open_:
            open_[event.occurrence].setdefault(event.event, at)
    rows, stale = [], []
    for alarm, lives in by.items():
        answers = sorted(one["acknowledged"] - one["raised"] for one in lives if "acknowledged" in one)
        spans = [one.get("cleared", to_ms / 1000) - one["raised"] for one in lives]
        starts = sorted(one["raised"] for one in lives)
        chatters = any(b - a <= 3600 for a, b in zip(starts, starts[_CHATTERS - 1 :], strict=False))
        middle = answers[len(answers) // 2] if answers else None
        was = said.get(alarm, [])
        false = sum(verdict != "right" for verdict in was)
        rows.append(AlarmRow(alarm, len(lives), len(answers), middle, max(spans), chatters, len(was), false))
        if max(spans) > _DAY_S:
            stale.append(alarm)
    for (alarm, _), life in before.items():
        end = min(life.get("cleared", to_ms / 1000), to_ms / 1000)
        if end * 1000 > from_ms and end - life["raised"] > _DAY_S and alarm not in stale:
            stale.append(alarm)
    rows.sort(key=lambda row: (-row.raised, row.alarm))
    days = (to_ms - from_ms) / 1000 / _DAY_S
    raised_ms = sorted(round(one["raised"] * 1000) for lives in by.values() for one in lives)
    return Load(
        tuple(rows),
        sum(row.raised for row in rows) / days,
        tuple(stale),
        tuple(raised_ms),
        max((sum(at <= one < at + _FLOOD_MS for one in raised_ms) for at in raised_ms), default=0),
        tuple((name, priorities[name]) for name in _PRIORITIES if priorities[name]),
    )
