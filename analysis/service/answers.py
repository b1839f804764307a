"""What a person asked of an alarm, done to the book of its tank and to its tests."""

from __future__ import annotations

from collections.abc import Collection

from rushlight.analysis.alarms.requests import carry_out
from rushlight.analysis.alarms.trials import Trials, is_trial
from rushlight.analysis.detectors.probes.detector import ProbeDetector
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import AlarmError
from rushlight.collector.events import Event
from rushlight.collector.store.records import Request

__all__ = ["answer"]


def answer(
    trials: Trials, watch: TankWatch, request: Request, now_ms: int, unseen: Collection[str] = ()
) -> tuple[list[Event], str]:
    """To a real alarm, and to a test of its name where there is one; `unseen`: see `carry_out`."""
    if request.kind == "try":
        return trials.begin(request, watch.tank.settings.title or request.tank, now_ms, watch.book.has)
    events: list[Event] = []
    words: list[str] = []
    if request.kind == "acknowledge":
        events, words = trials.acknowledge(request, now_ms)
    elif is_trial(str(request.arguments.get("occurrence", ""))):
        raise AlarmError("a test alarm can be acknowledged, and ends by itself; it is not shelved")
    try:
        more, outcome = carry_out(watch.book, request, now_ms, watch.of(ProbeDetector).health, unseen)
    except AlarmError:
        if not words:
            raise
        return events, "; ".join(words)
    return [*more, *events], "; ".join([outcome, *words])
