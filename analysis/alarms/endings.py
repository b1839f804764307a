"""Why an alarm ends: its condition is gone, nobody can see or judge it any more, or another explains it.

Only the first is good news. Who is woken, reads "over" and goes back to bed must not have been given that
word because the probe died.
"""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.findings import Finding
from rushlight.collector.readings import QUANTITIES

__all__ = [
    "BY_PROBE",
    "RAISED_ANEW",
    "end_start",
    "ended_by",
    "is_over",
    "is_raised_anew",
    "is_unjudged",
    "is_unseen",
]

BY_PROBE: dict[str, frozenset[str]] = {
    "temperature": frozenset(
        {
            "heater-stuck-on",
            "heater-not-heating",
            "cooling-not-cooling",
            "temperature-high",
            "temperature-low",
        }
    ),
    "ph": frozenset({"co2-overdose", "co2-absent", "ph-out-of-range"}),
    "light": frozenset({"light-schedule-drift", "light-missing", "light-stuck-on", "light-dimming"}),
}
"""By probe, the alarms that are read from it."""

_UNSEEN = "Not seen any more, "
_EXPLAINED = "Put down to "
_UNJUDGED = "Not judged any more, "
RAISED_ANEW = "Raised anew"
"""Of an alarm that comes and goes: it has not ended, but is another alarm from now on, which is worse."""


def ended_by(alarm: str, findings: Sequence[Finding]) -> Finding | None:
    """What has ended an alarm that is not among the findings; None where its condition is gone."""
    for finding in findings:
        blind = finding.alarm == "probe-fault" and finding.credible != "values"
        if blind and alarm in BY_PROBE.get(finding.quantity, ()):
            return finding
    return next((finding for finding in findings if alarm in finding.replaces.split(", ")), None)


def end_start(ended: Finding | str | None) -> str:
    """How a cleared alarm's summary begins; `ended`: a finding, what the settings lack, `RAISED_ANEW`."""
    if not ended:
        return "Over: "
    if ended == RAISED_ANEW:
        return f"{RAISED_ANEW}: "
    if isinstance(ended, str):
        return f"{_UNJUDGED}{ended}: "
    if ended.alarm == "probe-fault":
        info = QUANTITIES.get(ended.quantity)
        return f"{_UNSEEN}{info.title if info else ended.quantity} probe at fault: "
    return f"{_EXPLAINED}{rationale_for(ended.alarm).title}: "


def is_over(summary: str) -> bool:
    """Whether the summary of a cleared alarm says that its condition is gone."""
    return not summary.startswith((_UNSEEN, _EXPLAINED, _UNJUDGED, RAISED_ANEW))


def is_raised_anew(summary: str) -> bool:
    """Whether it says that the same alarm has been raised in its place."""
    return summary.startswith(RAISED_ANEW)


def is_unseen(summary: str) -> bool:
    """Whether it says that nobody can see its condition any more."""
    return summary.startswith((_UNSEEN, _UNJUDGED))


def is_unjudged(summary: str) -> bool:
    """Whether that is because the settings no longer let it be judged."""
    return summary.startswith(_UNJUDGED)
