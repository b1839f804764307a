"""The first sentence of the page: is everything well, since when, and what needs doing by when."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import msgspec

from rushlight.analysis.alarms.endings import is_over
from rushlight.analysis.alarms.states import SILENCED_STATES
from rushlight.analysis.alarms.wording import LONGEST_LEFT_S
from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.views.fact_types import AlarmFacts, Facts, TankFacts
from rushlight.collector.events import PRIORITY_RANK, Event
from rushlight.collector.settings import Settings

__all__ = ["Answer", "answer_of", "day_and_time", "due_alarms", "sentence", "summary_of"]

_OLD_MS = 900_000  # numbers that are older answer nothing; common practice, no source


class Answer(msgspec.Struct, kw_only=True):
    """What stands first. `tone`: "well", "odd" (nothing to be done now) or a priority's name."""

    tone: str
    title: str
    lines: list[str] = []


def answer_of(facts: Facts, settings: Settings, events: Iterable[Event], well: bool) -> Answer:
    """For all the tanks of `facts`.

    Parameters
    ----------
    events : iterable of Event
        The last ones of these tanks, oldest first.
    well : bool
        Whether readings arrive and are kept.
    """
    watched = [tank for tank in facts.tanks if tank.watched]
    raised = due_alarms(watched)
    if raised:
        return _needed(raised, settings, facts.time_ms, well)
    if not well:
        return Answer(
            tone="high",
            title="Nobody knows: no readings come in.",
            lines=[
                "No readings have come in for five minutes, or they can't be stored. What is shown below may "
                "be old. Look at the tanks, then at the service's log."
            ],
        )
    silent = [tank.title or tank.name for tank in watched if not _fresh(tank)]
    if silent:
        return Answer(
            tone="odd",
            title=f"No fresh numbers from {_and(silent)}.",
            lines=[
                "Look at the tank and at its device. The others have no alarm."
                if len(watched) > len(silent)
                else "Look at the tank and at its device."
            ],
        )
    events = list(events)
    ended = _ended(events)
    unseen = [
        (tank, alarm, ended.get(alarm.occurrence, ""))
        for tank in watched
        for alarm in tank.alarms
        if alarm.over
    ]
    doubtful = [
        f"{end or f'{_capital(alarm.title)}: {alarm.unseen}'}. Nobody has said they saw it."
        for _, alarm, end in unseen
        if alarm.unseen or not is_over(end)
    ]
    checks = [check.text for tank in watched for check in tank.checks]
    if checks:
        return Answer(
            tone="odd",
            title="No alarm yet; something is being checked.",
            lines=[f"{_capital(c)}." for c in checks],
        )
    blind = [line for tank in watched for line in _unjudged(tank)]
    if blind:
        return Answer(tone="odd", title="No alarm, but not all could be judged.", lines=blind)
    quiet = [line for tank in watched for line in _silenced(tank)]
    away = [(tank, alarm) for tank in watched for alarm in tank.alarms if alarm.away]
    if away:
        lines = [f"{_capital(a.title)} ({tank.title or tank.name}) {a.returns}." for tank, a in away]
        return Answer(
            tone="odd", title="No alarm now, but not all stays away.", lines=[*lines, *doubtful, *quiet]
        )
    if doubtful:
        return Answer(
            tone="odd",
            title="No alarm, but not all is known to be over.",
            lines=[*doubtful, "Look at the tank and measure in another way.", *quiet],
        )
    names = {1: "All is well.", 2: "Both tanks are well."}
    title = names.get(len(watched), f"All {_count(len(watched))} tanks are well.")
    if not watched:
        return Answer(tone="odd", title="There is no tank to watch.", lines=["Add one to the settings."])
    lines = [_since(events, settings, facts)]
    for tank, alarm, _ in unseen:
        lines.append(
            f"Over, but nobody has said they saw it: {_plain(alarm.headline)} ({tank.title or tank.name})."
        )
    if quiet:
        return Answer(tone="odd", title="No alarm, but not every alarm may speak.", lines=[*quiet, *lines])
    lines.append("Nothing needs doing.")
    return Answer(tone="well", title=title, lines=[line for line in lines if line])


def due_alarms(tanks: Iterable[TankFacts]) -> list[tuple[TankFacts, AlarmFacts]]:
    """What asks for something to be done, the most urgent first, then what leaves the least time."""
    found = [(tank, alarm) for tank in tanks for alarm in tank.alarms if alarm.raised]

    def order(pair: tuple[TankFacts, AlarmFacts]) -> tuple[int, float]:
        left = pair[1].time_left_s
        return -PRIORITY_RANK[pair[1].priority], float("inf") if left is None else left

    return sorted(found, key=order)


def summary_of(facts: Facts) -> str:
    """For the window's title."""
    raised = [alarm for _, alarm in due_alarms(facts.tanks)]
    if not raised:
        checked = sum(len(tank.checks) for tank in facts.tanks)
        return f"No alarm yet, {checked} being checked" if checked else "No alarms"
    counts = [
        f"{sum(alarm.priority == word for alarm in raised)} {word}"
        for word in ("critical", "high", "medium", "low")
        if any(alarm.priority == word for alarm in raised)
    ]
    return f"{'1 alarm' if len(raised) == 1 else f'{len(raised)} alarms'}: {', '.join(counts)}"


def sentence(tank: TankFacts) -> str:
    """One tank in a sentence."""
    raised = [alarm for alarm in tank.alarms if alarm.raised]
    if raised:
        count = f"{len(raised)} alarm{'s' if len(raised) > 1 else ''}"
        unseen = [alarm.unseen for alarm in raised if alarm.unseen]
        if not unseen:
            return count
        return f"{count}, {unseen[0] if len(unseen) == len(raised) else f'{len(unseen)} not seen any more'}"
    if tank.hands_until_ms is not None:
        return "hands in the tank"
    if tank.checks:
        return "no alarm yet, something is being checked"
    if tank.watched and not _fresh(tank):
        return "no fresh numbers"
    if _unjudged(tank):
        return "not all could be judged"
    away = next((alarm for alarm in tank.alarms if alarm.away), None)
    if away is not None:
        return f"no alarm now, but {away.title} comes and goes"
    gone = next((alarm for alarm in tank.alarms if alarm.over and alarm.unseen), None)
    if gone is not None:
        return f"no alarm, but {gone.title} {gone.unseen}"
    if _silenced(tank):
        return "no alarm, some are silenced"
    return "well" if tank.watched else "not watched"


def day_and_time(time_ms: int, zone: str, now_ms: int) -> str:
    """A moment by a tank's clock, as people say it: "today 14:05", "Sunday 14:05", "3 March 14:05"."""
    moment = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(ZoneInfo(zone))
    now = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(ZoneInfo(zone))
    days = (now.date() - moment.date()).days
    if days == 0:
        return f"today {moment:%H:%M}"
    if days == 1:
        return f"yesterday {moment:%H:%M}"
    if days == -1:
        return f"tomorrow {moment:%H:%M}"
    if 0 < days < 7:
        return f"{moment:%A %H:%M}"
    year = "" if moment.year == now.year else f" {moment.year}"
    return f"{moment.day} {moment:%B}{year} {moment:%H:%M}"


def _needed(
    raised: list[tuple[TankFacts, AlarmFacts]], settings: Settings, now_ms: int, well: bool
) -> Answer:
    tank, alarm = raised[0]
    zone = settings.tanks[tank.name].timezone
    unseen = [pair for pair in raised if pair[1].state == "unacknowledged"]
    by = ""
    if alarm.time_left_s is not None and alarm.time_left_s <= LONGEST_LEFT_S:
        at = day_and_time(now_ms + round(alarm.time_left_s * 1000), zone, now_ms).removeprefix("today ")
        by = "now: no time is left" if alarm.time_left_s < 60 else f"by {at}"
    urgent = PRIORITY_RANK[alarm.priority] >= PRIORITY_RANK["high"]
    name = tank.title or tank.name
    when = (by or ("now" if urgent else "when you are there")) if urgent or by else "when you pass by"
    lines = [alarm.action[0]] if alarm.action else []
    if len(raised) > 1:
        others = {(other.title or other.name) for other, _ in raised[1:]}
        more = len(raised) - 1
        lines.append(f"And {more} more alarm{'s' if more > 1 else ''} in {_and(sorted(others))}.")
    if not unseen:
        lines.append("Somebody has said they are on it.")
    if alarm.returns:
        lines.append(f"It {alarm.returns}.")
    if alarm.unseen:
        lines.append(f"{_capital(alarm.unseen)}: the numbers are as old.")
    elif not well:
        lines.append("The numbers may be old: no readings come in.")
    return Answer(tone=alarm.priority, title=f"{name} needs you {when}.", lines=lines)


def _unjudged(tank: TankFacts) -> list[str]:
    """An error of Rushlight's own is no sign that a tank is well."""
    failure = tank.failure
    if failure is None:
        return []
    return [
        f"{_capital(failure.detector)} could not be judged ({tank.title or tank.name}): an error in "
        "Rushlight itself. Look at the tank; the service's log says more."
    ]


def _silenced(tank: TankFacts) -> list[str]:
    """What has no voice; what hands have silenced in one line."""
    name, until = tank.title or tank.name, tank.hands_until_ms
    lines = [] if until is None else [f"Hands are in {name}: what hands cause is silent."]
    states = {str(state) for state in SILENCED_STATES}
    for alarm in tank.alarms:
        if alarm.state in states and (until is None or alarm.shelf_end_ms != until):
            probe = f", {alarm.quantity}" if alarm.quantity else ""
            lines.append(f"Silenced: {alarm.title}{probe} ({name}), {alarm.state_text}.")
    return lines


def _since(events: Iterable[Event], settings: Settings, facts: Facts) -> str:
    last = [event for event in events if event.event == "cleared" and not event.test]
    if not last:
        return "No alarm so far."
    event = max(last, key=lambda one: milliseconds(one.time))
    tank = settings.tanks.get(event.tank)
    zone = "UTC" if tank is None else tank.timezone
    said = day_and_time(milliseconds(event.time), zone, facts.time_ms)
    if not is_over(event.summary):
        return f"Since {said}: {event.summary}."
    return f"Since {said}, when this was over: {_plain(event.summary)}."


def _ended(events: Iterable[Event]) -> dict[str, str]:
    """By occurrence, with what words it ended."""
    return {event.occurrence: event.summary for event in events if event.event == "cleared"}


def _plain(summary: str) -> str:
    """Without its first word in capitals, or "Over"."""
    head, colon, rest = summary.partition(": ")
    return (
        rest
        if colon and (head.isupper() or head.startswith(("Over", "HIGH", "LOW", "MEDIUM", "CRITICAL")))
        else summary
    )


def _fresh(tank: TankFacts) -> bool:
    return any(reading.age_ms < _OLD_MS for reading in tank.readings)


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _count(number: int) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return words[number] if number < len(words) else str(number)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
