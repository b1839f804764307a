"""Where the cautions of alarms come on a screen that shows the first step of each.

As in a notice and on an alarm's own page: the words that decide are in the step, the rest is below, once.
Danger to people comes before the step, and stays when the alarm is over.
"""

from __future__ import annotations

from collections.abc import Iterable

from rushlight.analysis.alarms.cautions import below_all
from rushlight.analysis.views.fact_types import AlarmFacts

__all__ = ["before_step", "below_steps"]


def before_step(alarm: AlarmFacts) -> list[str]:
    """What is said before its step, "" of any alarm that is no danger to people."""
    return below_all([(alarm.cautions, _shown(alarm))]) if alarm.person_first else []


def below_steps(alarms: Iterable[AlarmFacts]) -> list[str]:
    """What is left for all of them together, each text once."""
    shown = list(alarms)
    before = [text for alarm in shown for text in before_step(alarm)]
    asking = [alarm for alarm in shown if alarm.raised and not alarm.person_first]
    return below_all([(alarm.cautions, _shown(alarm)) for alarm in asking], before)


def _shown(alarm: AlarmFacts) -> str:
    return alarm.action[0] if alarm.raised and alarm.action else ""
