"""The state of an alarm in words: "over" is said only of what was seen to end."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import NamedTuple

from rushlight.analysis.alarms.endings import BY_PROBE, is_over
from rushlight.analysis.alarms.returns import returns_text
from rushlight.analysis.alarms.states import BY_CLOCK, RAISED_STATES, AlarmRecord, AlarmState
from rushlight.analysis.alarms.wording import duration_text
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.views.beyond_limits import FRESH_MS
from rushlight.collector.events import Event
from rushlight.collector.readings import PH, Reading

__all__ = ["AHEAD_S", "AlarmWords", "age_text", "alarm_words", "end_words", "reading_behind"]

AHEAD_S = 120  # a device's clock may be ahead by so much (rushlight.collector.intake.timing)
_REPORTS_MISSED = 3  # before a board that reports seldom is not heard any more; common practice, no source
_BY_CLOCK_OR_SETTINGS = BY_CLOCK | {"setting-doubtful"}


class AlarmWords(NamedTuple):
    """`state` is all of it; `unseen`: why nobody knows whether its condition is there, "" where one does;
    `returns`: that it comes and goes, "" where it doesn't.
    """

    state: str
    unseen: str
    returns: str = ""


def age_text(age_ms: int) -> str:
    """An age as a person says it."""
    seconds = age_ms / 1000
    if seconds < -AHEAD_S:
        return f"dated {duration_text(-seconds)} ahead of this computer's clock"
    if seconds < 0:
        return "just now"
    if seconds < 90:
        return f"{seconds:.0f} s ago"
    return f"{duration_text(seconds)} ago"


def end_words(summary: str, since: str = "") -> str:
    """How it ended: "over", or what else the summary of the cleared alarm says, and since when."""
    if is_over(summary):
        return "over"
    words, comma, why = summary.partition(": ")[0].partition(", ")
    return f"{words[:1].lower()}{words[1:]}{since}{comma}{why}"


def reading_behind(record: AlarmRecord, latest: Mapping[str, Reading]) -> Reading | None:
    """The newest reading of what the alarm is read from; None where there is none."""
    if record.alarm in _BY_CLOCK_OR_SETTINGS:
        return None
    if record.alarm == "power-interrupted":
        return max(latest.values(), key=lambda reading: reading.time_ms, default=None)
    probes = (probe for probe, alarms in BY_PROBE.items() if record.alarm in alarms)
    return latest.get(record.quantity or next(probes, PH))


def alarm_words(
    record: AlarmRecord,
    ended: Event | None,
    latest: Mapping[str, Reading],
    clock: LocalClock,
    every_s: float,
    now_ms: int,
) -> AlarmWords:
    """The words of one alarm.

    Parameters
    ----------
    record : AlarmRecord
    ended : Event or None
        The `cleared` of this raising, where there is one.
    latest : mapping of str to Reading
        The newest reading of each quantity.
    clock : LocalClock
        The tank's.
    every_s : float
        How often its device reports.
    now_ms : int
    """
    unseen = ""
    if record.state is AlarmState.RETURNED_UNACKNOWLEDGED:
        text = "ended, nobody has said they saw it"
        if ended is not None:
            at_ms = round(datetime.fromisoformat(ended.time).timestamp() * 1000)
            how = end_words(ended.summary, f" since {clock.moment_text(at_ms)}")
            text = f"{how}{',' if how == 'over' else ';'} nobody has said they saw it"
            unseen = "" if how == "over" else how
    else:
        text = str(record.state)
        behind = reading_behind(record, latest) if record.standing else None
        stale_ms = max(FRESH_MS, round(_REPORTS_MISSED * every_s * 1000))
        if behind is not None and now_ms - behind.time_ms > stale_ms:
            unseen = f"not seen any more since {clock.moment_text(behind.time_ms)}, no reading has come"
    if record.state is AlarmState.SHELVED and record.shelf_end_ms is not None:
        text = f"shelved for {duration_text(max(0, record.shelf_end_ms - now_ms) / 1000)} more"
    elif record.state is AlarmState.OUT_OF_SERVICE and record.shelved_ms is not None:
        # it ends by no clock: who forgot it is to see it
        text += f", taken out {age_text(now_ms - record.shelved_ms)}"
    elif record.raised_ms is not None:
        text += f", raised {age_text(now_ms - record.raised_ms)}"
    if unseen and record.state is not AlarmState.RETURNED_UNACKNOWLEDGED:
        text += f"; {unseen}"
    returns = ""
    if record.state in RAISED_STATES:
        returns = returns_text(record.returns, record.standing, clock)
        text += f"; {returns}" if returns else ""
    return AlarmWords(text, unseen, returns)
