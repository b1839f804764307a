"""An alarm that comes and goes: from its third return on it is one alarm, raised once, until it stays away.

ANSI/ISA-18.2 and IEC 62682 call it fleeting or chattering and treat it with delays (from memory). An
off-delay that is right for one tank is wrong for the next: gas at its limit swings in an hour, what the sun
does comes once a day. So the longer delay goes by how long this alarm has been away before it came back.

Nothing is changed for an alarm that does not return soon, for its on-delay, or for what the judging takes as
being there (`AlarmRecord.standing`): only its occurrence is kept open for longer. What comes back worse than
it was when people were told of it is raised anew at once.
"""

from __future__ import annotations

from math import log10
from typing import Annotated

import msgspec
from msgspec.structs import replace

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.estimators.local_clock import LocalClock
from rushlight.analysis.findings import Finding
from rushlight.analysis.numbers import Numbers, Of
from rushlight.collector.events import Priority

__all__ = ["FRESH", "RETURNS", "Returns", "answered_as", "asks_again", "is_kept", "is_news", "returns_text"]

_HOUR_MS = 3_600_000


class ReturnNumbers(Numbers, frozen=True, kw_only=True):
    """When an alarm is one that comes and goes, and what of it is worse."""

    within_h: Annotated[
        float, Of("h", "back within so long it comes and goes; the longest that it is kept open while away")
    ] = 26.0  # what comes once a day, an hour moved by a clock change, and one to spare
    told_again: Annotated[
        int, Of("", "so many returns are raised anew: the ordinary repetition of a fault is told of")
    ] = 2
    away_factor: Annotated[float, Of("", "it is kept open for so many times the longest it was away")] = 2.0
    anew_h: Annotated[
        float, Of("h", "raised so long ago it is raised anew when it is back: as long as a shelf may last")
    ] = 168.0
    forgotten_h: Annotated[float, Of("h", "away for longer, it begins anew")] = 72.0
    stays_factor: Annotated[
        float, Of("", "there for so many times as long as when it was raised, it no longer goes: worse")
    ] = 2.0
    stays_least_h: Annotated[float, Of("h", "there for less than this is never called staying")] = 1.0
    answer_h: Annotated[
        float,
        Of("h", "a person's answer to what can kill within a night holds for what is back sooner than this"),
    ] = 4.0
    answer_critical_h: Annotated[
        float, Of("h", "the same of what is critical when it is back: that may leave no more than an hour")
    ] = 1.0
    worse_gas_ratio: Annotated[
        float, Of("", "CO2 that is so many times what it was is worse; a step of 0.1 in pH is 1.26 times")
    ] = 1.3
    worse_c: Annotated[float, Of("°C", "worse by so much; two steps of a coarse probe of 0.5")] = 1.0
    worse_ph: Annotated[float, Of("pH", "worse by so much; three steps of a coarse probe of 0.1")] = 0.3
    worse_min: Annotated[float, Of("min", "a lamp that is wrong by so much more is worse")] = 30.0


RETURNS = ReturnNumbers()
_NOTED_SHARE = 0.25
"""Of such a margin: a value that is further by less is not stored anew; common practice, no source."""

_HIGHER, _LOWER, _BOTH = (1,), (-1,), (1, -1)
_WORSE_SIDES: dict[str, tuple[int, ...]] = {
    "co2-overdose": _HIGHER,
    "temperature-high": _HIGHER,
    "heater-stuck-on": _HIGHER,
    "cooling-not-cooling": _HIGHER,
    "temperature-low": _LOWER,
    "heater-not-heating": _LOWER,
    "ph-out-of-range": _BOTH,
    "light-schedule-drift": _BOTH,
}
"""To which side an alarm's value is worse; of the others it says nothing of how bad it is."""

_EACH_TIME = frozenset({"device-silent", "power-interrupted", "probe-fault"})
"""Told of each time: it hides what else is wrong, and how bad it is shows only by how long it lasts."""


class Returns(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """How one alarm has come and gone; times in ms UTC, by the time of its delays.

    `back` counts its returns since `since_ms`, when it first came; `longest_ms` is the longest that it was
    away before one of them. It came last at `came_ms`, and went at `gone_ms` where it is not there now.
    `again` counts those returns that were not raised anew. `low`, `high` and `stayed_ms` are of its stay when
    it was raised last, which is what people were told of: the value's range, and how long it was there.
    """

    back: int = 0
    since_ms: int | None = None
    came_ms: int | None = None
    gone_ms: int | None = None
    longest_ms: int = 0
    again: int = 0
    low: float | None = None
    high: float | None = None
    stayed_ms: int = 0

    @property
    def often(self) -> bool:
        """Whether it has come back so often that it is kept open."""
        return self.back >= RETURNS.told_again

    @property
    def keep_ms(self) -> int:
        """How long it is kept open while it is away."""
        return round(min(RETURNS.away_factor * self.longest_ms, RETURNS.within_h * _HOUR_MS))

    def goes_on(self, since_ms: int, raised_ms: int | None) -> bool:
        """Whether what is back since then goes on with what was raised, if it is no worse.

        Not where it was away for longer than it is kept, with no reading to end it, or was raised long ago.
        """
        if not self.often or self.gone_ms is None or since_ms - self.gone_ms >= self.keep_ms:
            return False
        return raised_ms is None or since_ms - raised_ms <= RETURNS.anew_h * _HOUR_MS

    def came(self, now_ms: int) -> Returns:
        """Its condition is there."""
        away_ms = None if self.gone_ms is None else max(0, now_ms - self.gone_ms)
        if away_ms is None or away_ms > RETURNS.forgotten_h * _HOUR_MS:
            return Returns(since_ms=now_ms, came_ms=now_ms)
        soon = away_ms <= RETURNS.within_h * _HOUR_MS
        return replace(
            self,
            back=self.back + soon,
            longest_ms=max(self.longest_ms, away_ms) if soon else self.longest_ms,
            came_ms=now_ms,
            gone_ms=None,
        )

    def went(self, since_ms: int) -> Returns:
        """Its condition has gone, for good or not."""
        if self.came_ms is None:
            return FRESH
        stayed_ms = self.stayed_ms if self.again else max(0, since_ms - self.came_ms)
        return replace(self, gone_ms=since_ms, stayed_ms=stayed_ms)

    def raised(self) -> Returns:
        """People are told of it, as it is from now on."""
        return replace(self, again=0, low=None, high=None, stayed_ms=0)

    def seen(self, alarm: str, finding: Finding | None) -> Returns:
        """With the value of a stay that people are told of."""
        measured = _measured(alarm, finding)
        if measured is None or self.again:
            return self
        value, margin = measured
        low = value if self.low is None or value < self.low - _NOTED_SHARE * margin else self.low
        high = value if self.high is None or value > self.high + _NOTED_SHARE * margin else self.high
        return self if (low, high) == (self.low, self.high) else replace(self, low=low, high=high)

    def is_worse(self, alarm: str, finding: Finding | None, now_ms: int) -> bool:
        """Whether what is back is more than what people were told of."""
        if not self.again or self.came_ms is None:
            return False
        stays_ms = max(RETURNS.stays_factor * self.stayed_ms, RETURNS.stays_least_h * _HOUR_MS)
        if now_ms - self.came_ms > stays_ms:
            return True
        measured = _measured(alarm, finding)
        if measured is None or self.low is None or self.high is None:
            return False
        value, margin = measured
        sides = _WORSE_SIDES[alarm]
        return (1 in sides and value > self.high + margin) or (-1 in sides and value < self.low - margin)


FRESH = Returns()


def is_news(returns: Returns, alarm: str, finding: Finding, now_ms: int) -> bool:
    """Whether a condition that goes on must be looked at for its coming and going; cheap where it doesn't."""
    if not returns.often or finding.holding:
        return False
    return returns.is_worse(alarm, finding, now_ms) or returns.seen(alarm, finding) is not returns


def is_kept(alarm: str, returns: Returns) -> bool:
    """Whether an alarm is kept open while its condition is away.

    What can kill a person is told of each time that it is seen.
    """
    person_first = "person-first" in rationale_for(alarm).cautions
    return returns.often and not person_first and alarm not in _EACH_TIME


def asks_again(alarm: str, returns: Returns, since_ms: int) -> bool:
    """Whether what a person has answered is raised anew: another night's surge needs another answer."""
    if returns.gone_ms is None or rationale_for(alarm).wakes_from is None:
        return False
    return since_ms - returns.gone_ms > RETURNS.answer_h * _HOUR_MS


def answered_as(priority: Priority, returns: Returns, since_ms: int) -> Priority:
    """What an answered alarm is taken to have been when it is back: critical anew, it is raised anew.

    It had gone, and what was done about it has not helped.
    """
    if priority != "critical" or returns.gone_ms is None:
        return priority
    return priority if since_ms - returns.gone_ms <= RETURNS.answer_critical_h * _HOUR_MS else "high"


def returns_text(returns: Returns, standing: bool, clock: LocalClock) -> str:
    """That it comes and goes, in words; "" where it doesn't, or not often enough to be kept open."""
    if not returns.often or returns.since_ms is None:
        return ""
    text = f"comes and goes: {returns.back + 1} times since {clock.moment_text(returns.since_ms)}"
    if not standing and returns.gone_ms is not None:
        return f"{text}; not there now since {clock.moment_text(returns.gone_ms)}"
    if returns.came_ms is not None:
        return f"{text}; there now since {clock.moment_text(returns.came_ms)}"
    return text


def _measured(alarm: str, finding: Finding | None) -> tuple[float, float] | None:
    """An alarm's value and the margin by which another is worse; CO2 goes by its ratio."""
    if finding is None or finding.value is None or alarm not in _WORSE_SIDES:
        return None
    if alarm == "co2-overdose":
        return log10(max(finding.value, 0.1)), log10(RETURNS.worse_gas_ratio)
    if alarm == "ph-out-of-range":
        return finding.value, RETURNS.worse_ph
    return finding.value, RETURNS.worse_min if alarm == "light-schedule-drift" else RETURNS.worse_c
