"""What to do about one alarm, and which cautions are left to say below."""

from __future__ import annotations

from rushlight.analysis.alarms.cautions import below
from rushlight.analysis.views.fact_types import AlarmFacts
from rushlight.collector.events import Event

__all__ = ["steps_and_cautions"]


def steps_and_cautions(live: AlarmFacts | None, last: Event) -> tuple[list[str], list[str]]:
    """Of the alarm as it is now, else as it was `last` raised.

    A caution whose deciding words stand in a step is not said again. An alarm that is over for now shows no
    step, so its cautions are whole.
    """
    if live is None:
        steps, cautions = (
            [line.partition(". ")[2] or line for line in last.action.splitlines()],
            last.cautions,
        )
    else:
        steps, cautions = live.action, live.cautions
    return steps, below(cautions, "\n".join(steps)) if live is None or live.raised else cautions
