"""Words of a notice: title and body as they reach a phone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple

from rushlight.analysis.alarms.cautions import CAUTIONS, below, below_all, cautions_due, cautions_for
from rushlight.analysis.alarms.endings import is_over, is_unjudged
from rushlight.analysis.alarms.rationale import RATIONALE, rationale_for
from rushlight.analysis.alarms.wording import SUMMARY_LENGTH, duration_text, time_left_text
from rushlight.collector.events import PRIORITY_RANK, Event

__all__ = [
    "Line",
    "Text",
    "alarm_of",
    "event_text",
    "group_text",
    "kept_again_text",
    "milliseconds",
    "reminder_text",
    "test_text",
    "unkept_text",
]


class Text(NamedTuple):
    """Title of at most 100 characters, and a body whose first line is what to do."""

    title: str
    body: str


class Line(NamedTuple):
    """What a grouped notice says of one alarm."""

    occurrence: str
    transition: str
    title: str
    body: str
    priority: str


def milliseconds(time: str) -> int:
    """RFC 3339 to ms UTC."""
    return round(datetime.fromisoformat(time).timestamp() * 1000)


def alarm_of(occurrence: str) -> str:
    """The alarm's name inside an occurrence, "" where there is none."""
    parts = occurrence.split("/")
    return parts[1] if len(parts) > 1 and parts[1] in RATIONALE else ""


def event_text(event: Event, every_min: float | None = None) -> Text:
    """Text of a raised, changed or cleared alarm; `every_min` is how often it is sent again."""
    if event.test:
        return _trial_text(event)
    if event.event == "cleared":
        body = [_over([event.alarm], [event.summary])]
        if _person_first(event.alarm):
            body += cautions_for(event.alarm)
        if event.cause:
            body.append(f"What it probably was: {event.cause}.")
        return Text(_short(event.summary), "\n\n".join([*body, f"Alarm: {event.occurrence}"]))
    # the first step is said already
    first = event.action.split("\n", 1)[0].removeprefix("1. ")
    rest = event.detail.replace(f"What to do:\n1. {first}\n", "Then:\n", 1)
    body = [first, rest, *below(event.cautions, event.action), f"Alarm: {event.occurrence}"]
    if PRIORITY_RANK[event.priority] >= PRIORITY_RANK["high"]:
        every = "" if every_min is None else f"every {every_min:g} min "
        body.append(
            f"You will be reminded {every}until somebody acknowledges it (`rushlight acknowledge`) or it is "
            "over."
        )
    return Text(_short(event.summary), "\n\n".join(part for part in body if part))


def reminder_text(event: Event, now_ms: int) -> Text:
    """Text of a re-send: the time left is what remains of the estimate, not the old figure."""
    age_s = max(now_ms - milliseconds(event.time), 0) / 1000
    if event.test:
        text = _trial_text(event)
        said = f"Sent again: not acknowledged for {duration_text(age_s)}."
        return Text(text.title, f"{said}\n\n{text.body}")
    left = None if event.time_left_s is None else max(event.time_left_s - age_s, 0.0)
    subject = event.summary.partition(": ")[2] or event.summary
    first, rest = event_text(event).body.split("\n\n", 1)
    head = f"{event.priority.upper()}{', ' + time_left_text(left) if left is not None else ''}: "
    said = f"Not acknowledged for {duration_text(age_s)}; the figures and the time left below are as old."
    return Text(_short(head + subject), f"{first}\n\n{said}\n\n{rest}")


def group_text(lines: Sequence[Line]) -> Text:
    """One notice for many alarms: the gravest first, each with its first step, cautions once."""
    ranked = sorted(lines, key=lambda line: (line.transition == "cleared", -PRIORITY_RANK[line.priority]))
    active = [line for line in ranked if line.transition != "cleared"]
    tanks = len({line.occurrence.split("/")[0] for line in ranked})
    where = f" in {tanks} tanks" if tanks > 1 else ""
    over = sum(line.transition == "cleared" and is_over(line.title) for line in ranked)
    unseen = len(ranked) - len(active) - over
    if active:
        first = active[0].title
        also = f", {over} over" if over else ""
        also += f", {unseen} not seen any more" if unseen else ""
        # the first one keeps its priority and time left at the very front
        head, _, subject = first.partition(": ")
        title = f"{head}: {len(active)} alarms{where}{also}. First: {subject}"
        body = [active[0].body.split("\n", 1)[0]]
        body.append("Many at once often have one cause, such as a power cut or power coming back.")
    else:
        words = "Not seen any more or over" if unseen else "Over"
        title = f"{words}: {len(ranked)} alarms{where or ' in ' + ranked[0].occurrence.split('/')[0]}"
        body = [_over([alarm_of(line.occurrence) for line in ranked], [line.title for line in ranked])]
    for line in ranked:
        step = "" if line.transition == "cleared" else "\n  " + line.body.split("\n", 1)[0]
        body.append(f"- {line.title}{step}\n  Alarm: {line.occurrence}")
    cautions = below_all(
        (_cautions_of(line), "" if line.transition == "cleared" else line.body.split("\n", 1)[0])
        for line in ranked
    )
    if active:
        body.append("For the full text of each: `rushlight explain` with the alarm's ID.")
    return Text(_short(title), "\n\n".join([*body, *cautions]))


def _cautions_of(line: Line) -> list[str]:
    alarm = alarm_of(line.occurrence)
    if line.transition == "cleared" and not _person_first(alarm):
        return []
    return cautions_for(alarm) if alarm else [CAUTIONS[name] for name in cautions_due(line.body)]


def unkept_text(since: str, why: str) -> Text:
    """Rushlight itself: the store can't be written. Times as people read them."""
    return Text(
        _short("HIGH: Rushlight can't keep readings: its disk or store file"),
        "Look at the computer that Rushlight runs on: make room on its disk, or put its file back.\n\n"
        f"Since {since} no reading can be stored. Alarms are still judged and sent, from "
        "memory, but not for ever: a broker stops sending after so many reports that are not acknowledged, "
        "and this may be the last notice you get. What came by a serial line is lost if Rushlight is "
        "stopped before this is put right.\n\n"
        f"What is wrong: {why}\n\n"
        "You will be reminded until it is over; it can't be acknowledged.",
    )


def kept_again_text(since: str, until: str) -> Text:
    """Rushlight itself: the store can be written again."""
    return Text(
        "Over: Rushlight keeps readings again",
        "Nothing to do now.\n\n"
        f"From {since} to {until} nothing could be stored. What waited in memory and "
        "at the broker is being stored now.",
    )


def test_text(now: str) -> Text:
    """A notice that says it is only a test."""
    return Text(
        "Test: Rushlight can reach you here",
        "Nothing to do: this is a test, no alarm is raised.\n\n"
        f"Sent on {now}. Alarms come this way. Their first line says how urgent it is and how "
        "much time is left.",
    )


def _trial_text(event: Event) -> Text:
    """Text of a test alarm: nobody may take it for a real one, whichever part of it is read first."""
    if event.event == "cleared":
        body = ["Nothing to do: the test alarm has ended by itself.", f"Alarm: {event.occurrence}"]
        return Text(_short(event.summary), "\n\n".join(body))
    body = [
        "This is a test alarm: nothing was measured and nothing has to be done.",
        event.detail,
        *event.cautions,
        "End of the test alarm. Reminders stop when it is acknowledged (`rushlight acknowledge`) or over.",
        f"Alarm: {event.occurrence}",
    ]
    return Text(_short(event.summary), "\n\n".join(part for part in body if part))


def _person_first(alarm: str) -> bool:
    return bool(alarm) and "person-first" in rationale_for(alarm).cautions


def _over(alarms: Iterable[str], summaries: Iterable[str]) -> str:
    """What to do after alarms that have ended: a damaged device shocks again when it next switches on."""
    if any(_person_first(alarm) for alarm in alarms):
        return (
            "It is no longer seen, but that doesn't make the water safe: what leaks may only be switched off."
        )
    ends = list(summaries)
    if any(map(is_unjudged, ends)):
        return (
            "It is not known to be over. Look at the tank and measure in another way. Put back into the "
            "settings what they are said to lack, or it is not watched for. "
            "If nobody has acknowledged this one, it is sent again."
        )
    if not all(map(is_over, ends)):
        return (
            "It is not known to be over. Look at the tank, measure in another way, and follow the alarm that "
            "is named in its place. If nobody has acknowledged this one, it is sent again."
        )
    return "Nothing to do now: the readings are good again. Have a look when you pass by."


def _short(title: str) -> str:
    return title if len(title) <= SUMMARY_LENGTH else title[: SUMMARY_LENGTH - 1] + "…"
