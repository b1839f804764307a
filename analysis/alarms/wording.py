"""Words of an alarm event: the first line a person sees, and the document behind it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from rushlight.analysis.alarms.cautions import cautions_for
from rushlight.analysis.alarms.endings import end_start
from rushlight.analysis.alarms.rationale import ANY, Equipment, Rationale, rationale_for
from rushlight.analysis.alarms.returns import is_kept, returns_text
from rushlight.analysis.alarms.states import AlarmRecord
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.findings import Finding
from rushlight.collector.events import AlarmKey, Event, EventKind, Priority
from rushlight.collector.readings import QUANTITIES

__all__ = [
    "LONGEST_LEFT_S",
    "SUMMARY_LENGTH",
    "compose",
    "duration_text",
    "headline",
    "rule_out_text",
    "time_left_text",
    "utc_text",
]

LONGEST_LEFT_S = 14 * 86_400.0
"""A slope that is hardly one says nothing of later; common practice, no source."""
SUMMARY_LENGTH = 100  # what a phone's lock screen shows
_PRINTED = {"Cel": "°C", "pH": "", "s": "s"}
_DECIMALS = {"Cel": 1, "°C": 1, "pH": 2, "lx": 0, "min": 0, "%": 0, "mV": 1, "W": 0}


def utc_text(time_ms: int) -> str:
    """RFC 3339, UTC, with milliseconds only where there are any."""
    moment = datetime.fromtimestamp(time_ms // 1000, UTC)
    fraction = f".{time_ms % 1000:03d}" if time_ms % 1000 else ""
    return f"{moment:%Y-%m-%dT%H:%M:%S}{fraction}Z"


def duration_text(seconds: float) -> str:
    """A duration rounded down, so that it never promises more than there is."""
    minutes = int(seconds // 60)
    if minutes < 10:
        return f"{max(minutes, 1)} min"
    if minutes < 90:
        return f"{minutes - minutes % 5} min"
    hours = minutes // 60
    if hours < 48:
        return f"{hours} h" if hours >= 6 or not minutes % 60 // 30 else f"{hours}½ h"
    return f"{hours // 24} days"


def time_left_text(seconds: float | None) -> str:
    """ "about 40 min left", "no time left", or nothing if it can't be said."""
    if seconds is None:
        return ""
    if seconds > LONGEST_LEFT_S:
        return "more than two weeks left"
    return "no time left" if seconds < 60 else f"about {duration_text(seconds)} left"


def value_text(value: float, unit: str, signed: bool = False) -> str:
    """A value as printed: "38 mg/L", "27.4 °C", with `signed` "+25 min"."""
    if unit == "s":
        return duration_text(value) if value >= 60 else f"{value:.0f} s"
    decimals = _DECIMALS.get(unit)
    if decimals is None:
        decimals = 0 if abs(value) >= 10 else 1
    return f"{value:{'+' if signed else ''}.{decimals}f} {_PRINTED.get(unit, unit)}".rstrip()


def headline(alarm: str, title: str, finding: Finding | None, quantity: str = "") -> str:
    """What is wrong and where, without priority."""
    row = rationale_for(alarm)
    value, unit = (None, "") if finding is None else (finding.value, finding.unit)
    ahead = finding is not None and finding.time_left_s is not None and finding.time_left_s >= 60
    info = QUANTITIES.get(quantity)
    form = row.headline_plain if value is None else row.headline
    return form.format(
        value="" if value is None else value_text(value, unit, row.signed),
        tank=title,
        probe=info.title if info else "",
        setting=(finding.setting if finding else "") or "a setting",
        trend=row.trend if ahead else "",
    ).strip()


def rule_out_text(alarm: str, finding: Finding | None) -> str:
    """What would rule an alarm out: the finding's own words, or those of the rationalisation."""
    own = "" if finding is None else finding.rule_out.removeprefix("rule out: ")
    return own or rationale_for(alarm).rule_out


def compose(
    kind: EventKind,
    key: AlarmKey,
    title: str,
    before: AlarmRecord,
    after: AlarmRecord,
    finding: Finding | None,
    time_ms: int,
    actor: str = "",
    has: Equipment = ANY,
    clock: LocalClock | None = None,
    ended: Finding | str | None = None,
) -> Event:
    """The event of one transition, with everything that ISA-18.2 rationalisation asks of it.

    `ended`: of a cleared alarm, what else than its own end has ended it, or why it is no longer judged.
    """
    tank, alarm, quantity = key
    row = rationale_for(alarm, has)
    raised = kind in ("raised", "priority-changed")
    shown = finding if finding is not None else Finding(alarm=alarm, quantity=quantity)
    priority: Priority = after.priority if after.occurrence else row.priority
    until = utc_text(after.shelf_end_ms) if kind == "shelved" and after.shelf_end_ms is not None else ""
    until_text = until
    if after.shelf_end_ms is not None and until and clock is not None:
        until_text = clock.moment_text(after.shelf_end_ms)
    about_probe = alarm == "probe-fault"
    time_left = shown.time_left_s if kind != "cleared" else None
    return Event(
        time=utc_text(time_ms),
        tank=tank,
        alarm=alarm,
        event=kind,
        priority=priority,
        value=None if about_probe else shown.value,
        unit="" if about_probe or shown.value is None else shown.unit,
        quantity=quantity,
        summary=_summary(kind, key, title, before, after, shown, priority, time_ms, until_text, actor, ended),
        detail=_detail(row, shown, _coming_and_going(after, clock)) if raised else "",
        cautions=cautions_for(alarm, has) if raised else [],
        # never raised: its name alone, so that the store can keep such events apart
        occurrence=after.occurrence or "/".join(part for part in key if part),
        cause=shown.cause,
        consequence=row.consequence,
        action=row.steps(quantity),
        time_left_s=time_left,
        observations=list(shown.observations),
        rule_out=f"rule out: {rule_out_text(alarm, shown)}",
        until=until,
        actor=actor,
        setting=shown.setting,
    )


def _summary(
    kind: EventKind,
    key: AlarmKey,
    title: str,
    before: AlarmRecord,
    after: AlarmRecord,
    finding: Finding,
    priority: Priority,
    time_ms: int,
    until: str,
    actor: str,
    ended: Finding | str | None,
) -> str:
    alarm, quantity = key[1], key[2]
    row = rationale_for(alarm)
    probe = QUANTITIES.get(quantity)
    name = f"{row.title} ({probe.title})" if probe else row.title
    if kind in ("raised", "priority-changed"):
        left = time_left_text(finding.time_left_s)
        was = f" (was {before.priority})" if kind == "priority-changed" else ""
        start = f"{priority.upper()}{was}{', ' + left if left else ''}: "
        return _fit(start, lambda tank: headline(alarm, tank, finding, quantity), title)
    by = f" by {actor}" if actor else ""
    if kind == "cleared":
        lasted = ""
        if after.raised_ms is not None and not ended:
            # kept open because it comes and goes, it was there until it went
            until_ms = (before.returns.gone_ms or time_ms) if before.away else time_ms
            lasted = f", after {duration_text((until_ms - after.raised_ms) / 1000)}"
        start, end = f"{end_start(ended)}{name} in ", lasted
    elif kind == "acknowledged":
        start, end = f"Acknowledged{by}: {name} in ", ""
    elif kind == "shelved":
        start = f"Shelved{by} until {until}: " if until else f"Taken out of service{by}: "
        start, end = f"{start}{name} in ", ""
    else:
        start, end = f"Back in service{by}: {name} in ", ""
    return _fit(start, lambda tank: f"{tank}{end}", title)


def _fit(start: str, rest: Callable[[str], str], title: str) -> str:
    """Shorten the tank's name, never the message, to what a lock screen shows."""
    text = start + rest(title)
    over = len(text) - SUMMARY_LENGTH
    if over > 0:
        text = start + rest(title[: max(len(title) - over - 1, 8)].rstrip() + "…")
    return text if len(text) <= SUMMARY_LENGTH else text[: SUMMARY_LENGTH - 1] + "…"


def _coming_and_going(record: AlarmRecord, clock: LocalClock | None) -> str:
    """What is to be expected of one that is kept open, "" of any other."""
    text = returns_text(record.returns, record.standing, clock or LocalClock("UTC"))
    if not text or not is_kept(record.alarm, record.returns):
        return ""
    keep = duration_text(record.returns.keep_ms / 1000)
    return (
        f"This alarm {text}. It is one alarm until it has been away for {keep}: it is not sent anew each "
        "time that it is back, unless it is worse."
    )


def _detail(row: Rationale, finding: Finding, returns: str = "") -> str:
    cause = finding.cause or "not clear from the readings"
    left = time_left_text(finding.time_left_s) or "can't be said from the readings"
    parts = ["A person's safety comes first."] if "person-first" in row.cautions else []
    parts += [
        f"What to do:\n{row.steps(finding.quantity)}",
        f"Likely cause: {cause}.",
        f"If nobody acts: {row.consequence}.",
        f"How long there is: {left}.",
    ]
    if finding.observations:
        parts.append("Seen: " + "; ".join(finding.observations) + ".")
    if returns:
        parts.append(returns)
    if finding.replaces:
        parts.append(f"This also explains: {finding.replaces}.")
    parts.append(f"What would rule it out: {rule_out_text(finding.alarm, finding)}.")
    return "\n".join(parts)
